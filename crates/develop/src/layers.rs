//! Kept layers at any size: the full one read from disk part by part, the smaller ones held.

use std::io;
use std::path::Path;
use std::sync::{Arc, Mutex, OnceLock, PoisonError};

use nightloom_raster::{WorkFile, from_half, to_half};
use nightloom_stack::{STAR_HALO, StarForm, StarLight};
use rayon::prelude::*;

use super::development::LayerRow;
use super::keep::Kept;
use super::stars::{Halving, StarLevel, Stars};

/// Three planes of the sky, three without noise; the same of the land; the matte.
const PLANES: usize = 13;
const SKY: usize = 0;
const QUIET: usize = 3;
const LAND: usize = 6;
const MATTE: usize = 12;
/// The smallest size has no side longer than this.
const SMALLEST: usize = 512;

/// One size of all planes, as halves.
struct Level {
    width: usize,
    height: usize,
    planes: Vec<Vec<u16>>,
}

/// The layers of one picture. About 17 bytes a pixel of the full size are held.
pub(super) struct Layers {
    sky: WorkFile,
    land: Option<WorkFile>,
    /// From half the full size on.
    levels: Vec<Level>,
    /// The stars' light in them, once it was asked for; five bytes a pixel of the full size.
    stars: OnceLock<Vec<StarLevel>>,
    /// What of it is told already, band by band, until all is.
    telling: Mutex<Arc<Vec<OnceLock<StarLevel>>>>,
}

/// A part of one size.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Part {
    pub(super) level: u32,
    pub(super) left: usize,
    pub(super) top: usize,
    pub(super) width: usize,
    pub(super) height: usize,
}

impl Part {
    /// The part that is shown where this one is, once the layer was moved; some of it always is in the picture.
    pub(super) fn moved(&self, [right, down]: [i64; 2], [columns, rows]: [usize; 2]) -> Self {
        let along = |first: usize, count: usize, by: i64, all: usize| {
            let inside = |v: i64| v.clamp(0, all as i64) as usize;
            let (from, to) = (inside(first as i64 - by), inside((first + count) as i64 - by));
            let from = from.min(all - 1);
            (from, to.max(from + 1) - from)
        };
        let (left, width) = along(self.left, self.width, right, columns);
        let (top, height) = along(self.top, self.height, down, rows);
        Self {
            left,
            top,
            width,
            height,
            ..*self
        }
    }
}

/// All planes of a part.
pub(super) struct Block {
    /// Of land and matte.
    pub(super) part: Part,
    /// Of the sky.
    pub(super) sky_part: Part,
    planes: Vec<Vec<f32>>,
    stars: OnceLock<Stars>,
}

impl Layers {
    pub(super) fn open(folder: &Path, kept: &Kept) -> io::Result<Self> {
        let open = |name: &String| WorkFile::open(&folder.join(name));
        let mut layers = Self {
            sky: open(&kept.sky)?,
            land: kept.land.as_ref().map(open).transpose()?,
            levels: Vec::new(),
            stars: OnceLock::new(),
            telling: Mutex::default(),
        };
        let [width, height] = layers.size(0);
        let bands = (0..height.div_ceil(STAR_BAND)).map(|_| OnceLock::new());
        layers.telling = Mutex::new(Arc::new(bands.collect()));
        if width.max(height) > SMALLEST {
            let first = layers.halved()?;
            layers.levels.push(first);
            while let Some(last) = layers.levels.last().filter(|l| l.width.max(l.height) > SMALLEST) {
                let next = last.halved();
                layers.levels.push(next);
            }
        }
        Ok(layers)
    }

    /// How many sizes there are.
    pub(super) fn sizes(&self) -> usize {
        self.levels.len() + 1
    }

    /// Width and height of one of them.
    pub(super) fn size(&self, level: u32) -> [usize; 2] {
        match level.checked_sub(1) {
            None => [self.sky.width(), self.sky.height()],
            Some(k) => self
                .levels
                .get(k as usize)
                .map_or([0; 2], |l| [l.width, l.height]),
        }
    }

    /// Reads a part of land and matte and one of the sky, which have to lie inside.
    pub(super) fn block(&self, part: Part, sky_part: Part) -> io::Result<Block> {
        let of = |plane: usize| if plane < LAND { sky_part } else { part };
        let planes = (0..PLANES).into_par_iter();
        let planes = match part.level.checked_sub(1) {
            None => planes
                .map(|plane| {
                    let Part {
                        left,
                        top,
                        width,
                        height,
                        ..
                    } = of(plane);
                    self.read(plane, [left, top], width, height)
                })
                .collect::<io::Result<_>>()?,
            Some(k) => {
                let level = &self.levels[k as usize];
                planes
                    .map(|plane| level.cut(&level.planes[plane], of(plane)))
                    .collect()
            }
        };
        Ok(Block {
            part,
            sky_part,
            planes,
            stars: OnceLock::new(),
        })
    }

    /// The stars' light in a block's sky.
    pub(super) fn stars<'a>(&self, block: &'a Block, form: &StarForm) -> io::Result<&'a Stars> {
        if let Some(stars) = block.stars.get() {
            return Ok(stars);
        }
        let part = block.sky_part;
        let told = match part.level.checked_sub(1) {
            None => self.full_stars(part, form)?,
            Some(k) => {
                let levels = self.star_levels(form)?;
                let inside = [part.left, part.top, part.width, part.height];
                Stars::cut(&levels[k as usize], self.levels[k as usize].width, inside)
            }
        };
        Ok(block.stars.get_or_init(|| told))
    }

    fn full_stars(&self, part: Part, form: &StarForm) -> io::Result<Stars> {
        let [columns, rows] = self.size(0);
        let first = [part.left, part.top].map(|v| v.saturating_sub(STAR_HALO));
        let last = [
            (part.left + part.width + STAR_HALO).min(columns),
            (part.top + part.height + STAR_HALO).min(rows),
        ];
        let (width, height) = (last[0] - first[0], last[1] - first[1]);
        let [r, g, b] = self.quiet(first, width, height)?;
        let inside = [part.left - first[0], part.top - first[1], part.width, part.height];
        Ok(Stars::of_block([&r, &g, &b], width, inside, form))
    }

    fn quiet(&self, first: [usize; 2], width: usize, rows: usize) -> io::Result<[Vec<f32>; 3]> {
        let mut all = (QUIET..QUIET + 3).map(|plane| self.read(plane, first, width, rows));
        let mut next = || all.next().unwrap_or_else(|| Ok(Vec::new()));
        Ok([next()?, next()?, next()?])
    }

    /// The stars' light in all smaller sizes, told once from the full one.
    fn star_levels(&self, form: &StarForm) -> io::Result<&Vec<StarLevel>> {
        if let Some(levels) = self.stars.get() {
            return Ok(levels);
        }
        let bands = self.star_bands();
        let all = (0..bands.len()).into_par_iter();
        all.try_for_each(|k| self.tell_band(&bands, k, form))?;
        // Another may have brought all together meanwhile, and bands that were not needed any more are missing.
        if let Some(levels) = self.stars.get() {
            return Ok(levels);
        }
        let mut levels = vec![StarLevel::default()];
        for band in bands.iter().filter_map(OnceLock::get) {
            levels[0].append(band);
        }
        for k in 1..self.levels.len() {
            let level = &self.levels[k - 1];
            let mut next = StarLevel::default();
            let float = |plane: &Vec<u16>| -> Vec<f32> { plane.iter().map(|v| from_half(*v)).collect() };
            let last = &levels[k - 1];
            let quiet: [Vec<f32>; 3] = std::array::from_fn(|c| float(&level.planes[QUIET + c]));
            let (bare, smaller) = (
                last.bare.each_ref().map(float),
                last.smaller.each_ref().map(float),
            );
            next.halve(&Halving {
                quiet: quiet.each_ref().map(Vec::as_slice),
                bare: bare.each_ref().map(Vec::as_slice),
                smaller: smaller.each_ref().map(Vec::as_slice),
                width: level.width,
            });
            levels.push(next);
        }
        let told = self.stars.get_or_init(|| levels);
        *self.telling.lock().unwrap_or_else(PoisonError::into_inner) = Arc::default();
        Ok(told)
    }

    /// Tells the bands one after the other; whoever asks meanwhile takes part.
    pub(super) fn stars_ahead(&self, form: &StarForm) -> io::Result<()> {
        let bands = self.star_bands();
        (0..bands.len()).try_for_each(|k| self.tell_band(&bands, k, form))
    }

    fn star_bands(&self) -> Arc<Vec<OnceLock<StarLevel>>> {
        let telling = self.telling.lock().unwrap_or_else(PoisonError::into_inner);
        Arc::clone(&telling)
    }

    fn tell_band(&self, bands: &[OnceLock<StarLevel>], k: usize, form: &StarForm) -> io::Result<()> {
        if bands[k].get().is_none() && self.stars.get().is_none() {
            // Two may tell the same one, and it is the same.
            let _ = bands[k].set(self.star_band(k * STAR_BAND, self.size(0), form)?);
        }
        Ok(())
    }

    fn star_band(&self, top: usize, [width, height]: [usize; 2], form: &StarForm) -> io::Result<StarLevel> {
        let (first, end) = (top.saturating_sub(STAR_HALO), (top + STAR_BAND).min(height));
        let last = (end + STAR_HALO).min(height);
        let quiet = self.quiet([0, first], width, last - first)?;
        let quiet = quiet.each_ref().map(Vec::as_slice);
        let light = StarLight::of(quiet, width, form);
        let inside = (top - first) * width..(end - first) * width;
        let mut out = StarLevel::default();
        out.halve(&Halving {
            quiet: quiet.map(|p| &p[inside.clone()]),
            bare: light.bare.each_ref().map(|p| &p[inside.clone()]),
            smaller: light.smaller.each_ref().map(|p| &p[inside.clone()]),
            width,
        });
        Ok(out)
    }

    /// A rectangle of one plane of the full size. Where there is no land, the matte is sky throughout.
    fn read(&self, plane: usize, first: [usize; 2], width: usize, rows: usize) -> io::Result<Vec<f32>> {
        let (file, plane) = match (&self.land, plane) {
            (_, plane) if plane < LAND => (&self.sky, plane),
            (Some(land), plane) => (land, plane - LAND),
            (None, MATTE) => return Ok(vec![1.0; width * rows]),
            (None, _) => return Ok(vec![0.0; width * rows]),
        };
        let mut out = vec![0.0; width * rows];
        file.read_block(plane, first, width, rows, &mut out)?;
        Ok(out)
    }

    /// Half the full size.
    fn halved(&self) -> io::Result<Level> {
        let [width, height] = self.size(0);
        let (columns, rows) = (width.div_ceil(2), height.div_ceil(2));
        let planes = (0..PLANES)
            .map(|plane| {
                let mut out = vec![0; columns * rows];
                out.par_chunks_mut(columns * BAND)
                    .enumerate()
                    .try_for_each(|(band, out)| {
                        let top = 2 * band * BAND;
                        let count = (2 * out.len() / columns).min(height - top);
                        let lines = self.read(plane, [0, top], width, count)?;
                        halve(&lines, width, |v| *v, out);
                        Ok::<_, io::Error>(())
                    })?;
                Ok(out)
            })
            .collect::<io::Result<_>>()?;
        Ok(Level {
            width: columns,
            height: rows,
            planes,
        })
    }
}

/// Rows of the full size whose stars are told at a time, an even number.
const STAR_BAND: usize = 128;
/// Rows of a smaller size made at a time.
const BAND: usize = 64;

impl Level {
    fn halved(&self) -> Self {
        let (columns, rows) = (self.width.div_ceil(2), self.height.div_ceil(2));
        let planes = self.planes.par_iter().map(|plane| {
            let mut out = vec![0; columns * rows];
            halve(plane, self.width, |v| from_half(*v), &mut out);
            out
        });
        Self {
            width: columns,
            height: rows,
            planes: planes.collect(),
        }
    }

    fn cut(&self, plane: &[u16], part: Part) -> Vec<f32> {
        let rows = part.top..part.top + part.height;
        rows.flat_map(|y| &plane[y * self.width + part.left..][..part.width])
            .map(|v| from_half(*v))
            .collect()
    }
}

/// Each pixel the mean of four, of two at an odd edge; what is not finite does not count.
fn halve<T: Sync>(from: &[T], width: usize, value: impl Fn(&T) -> f32 + Sync, out: &mut [u16]) {
    let columns = width.div_ceil(2);
    let height = from.len() / width;
    for (y, row) in out.chunks_exact_mut(columns).enumerate() {
        let (upper, lower) = (2 * y, (2 * y + 1).min(height - 1));
        let lines = [&from[upper * width..][..width], &from[lower * width..][..width]];
        for (x, o) in row.iter_mut().enumerate() {
            let (a, b) = (2 * x, (2 * x + 1).min(width - 1));
            let four = [&lines[0][a], &lines[0][b], &lines[1][a], &lines[1][b]].map(&value);
            let sum: f32 = four.iter().sum();
            let mean = if sum.is_finite() {
                0.25 * sum
            } else {
                let good = four.iter().filter(|v| v.is_finite());
                let (sum, n) = good.fold((0.0, 0.0), |(s, n), v| (s + v, n + 1.0));
                if n > 0.0 { sum / n } else { 0.0 }
            };
            *o = to_half(mean);
        }
    }
}

impl Block {
    /// A row of the sky's part.
    pub(super) fn sky<'a>(&'a self, y: usize, stars: Option<&'a Stars>) -> LayerRow<'a> {
        LayerRow {
            stars: stars.map(|s| s.row(y)),
            ..self.rows(SKY, y, self.sky_part.width)
        }
    }

    /// A row of the land.
    pub(super) fn land(&self, y: usize) -> LayerRow<'_> {
        self.rows(LAND, y, self.part.width)
    }

    /// A row of the matte.
    pub(super) fn matte(&self, y: usize) -> &[f32] {
        self.row(MATTE, y, self.part.width)
    }

    fn rows(&self, first: usize, y: usize, width: usize) -> LayerRow<'_> {
        let three = |from: usize| std::array::from_fn(|c| self.row(from + c, y, width));
        LayerRow {
            layer: three(first),
            quiet: three(first + QUIET),
            stars: None,
        }
    }

    fn row(&self, plane: usize, y: usize, width: usize) -> &[f32] {
        &self.planes[plane][y * width..][..width]
    }
}
