//! Kept layers at any size: the full one read from disk part by part, the smaller ones held.

use std::io;
use std::path::Path;

use nightloom_raster::{WorkFile, from_half, to_half};
use rayon::prelude::*;

use super::development::LayerRow;
use super::keep::Kept;

/// Three planes of the sky, three without noise; the same of the land; the matte.
const PLANES: usize = 13;
const SKY: usize = 0;
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

/// All planes of a part.
pub(super) struct Block {
    pub(super) part: Part,
    planes: Vec<Vec<f32>>,
}

impl Layers {
    pub(super) fn open(folder: &Path, kept: &Kept) -> io::Result<Self> {
        let open = |name: &String| WorkFile::open(&folder.join(name));
        let mut layers = Self {
            sky: open(&kept.sky)?,
            land: kept.land.as_ref().map(open).transpose()?,
            levels: Vec::new(),
        };
        let [width, height] = layers.size(0);
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

    /// Reads a part, which has to lie inside.
    pub(super) fn block(&self, part: Part) -> io::Result<Block> {
        let planes = match part.level.checked_sub(1) {
            None => (0..PLANES)
                .into_par_iter()
                .map(|plane| self.read(plane, [part.left, part.top], part.width, part.height))
                .collect::<io::Result<_>>()?,
            Some(k) => {
                let level = &self.levels[k as usize];
                level
                    .planes
                    .par_iter()
                    .map(|plane| level.cut(plane, part))
                    .collect()
            }
        };
        Ok(Block { part, planes })
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
    pub(super) fn sky(&self, y: usize) -> LayerRow<'_> {
        self.rows(SKY, y)
    }

    pub(super) fn land(&self, y: usize) -> LayerRow<'_> {
        self.rows(LAND, y)
    }

    pub(super) fn matte(&self, y: usize) -> &[f32] {
        self.row(MATTE, y)
    }

    fn rows(&self, first: usize, y: usize) -> LayerRow<'_> {
        let three = |from: usize| std::array::from_fn(|c| self.row(from + c, y));
        LayerRow {
            layer: three(first),
            quiet: three(first + 3),
        }
    }

    fn row(&self, plane: usize, y: usize) -> &[f32] {
        &self.planes[plane][y * self.part.width..][..self.part.width]
    }
}
