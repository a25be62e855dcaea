//! Sky that no tracked frame saw: the strip over the ridge, gaps in trees, corners.
//!
//! The fill is the sky's smooth light on the stack's scale (told, or else the fixed camera's star-free sky), plus
//! grain like the stack's, plus a smooth correction that makes it meet the stack without a step (a membrane in the sense of Pérez,
//! Gangnet & Blake 2003, ACM TOG 22, 313, solved by pull-push on star-free cells, so that neither
//! stars nor land colours are smeared). A soft change follows the edge of what was seen.

use nightloom_fit::{median_of, mix};
use nightloom_raster::{Plane, Rgb};
use rayon::prelude::*;

use crate::{Matte, SeamError, ToneMatch, Work, resample, sky_model};

/// How unseen sky is filled.
#[derive(Clone, Debug, PartialEq)]
pub struct FillSettings {
    /// Width of the soft change from seen to filled sky, pixels, 0 to 200.
    pub feather_px: usize,
    /// Tracked frames that must have seen a pixel for it to count as seen.
    pub min_coverage: f32,
}

impl Default for FillSettings {
    fn default() -> Self {
        Self {
            feather_px: 8,
            min_coverage: 1.0,
        }
    }
}

/// What the fill rests on.
#[derive(Clone, Copy)]
pub struct Gap<'a> {
    /// Tracked frames that saw each pixel; between 0 and 1 where it was seen through land alone.
    pub coverage: &'a Plane,
    /// Matte and star-free sky of the land picture.
    pub matte: &'a Matte,
    /// Brings the land picture's sky onto the stack's scale.
    pub tone: &'a ToneMatch,
    /// The level that a pixel seen through land has its stars and grain over; such pixels hold nothing where there is none.
    pub veil: Option<&'a VeilLevel<'a>>,
    /// The sky's smooth light on the stack's scale by channel and pixel, where it is known behind land too; else the land
    /// picture's own sky is taken for it.
    pub smooth: Option<&'a SmoothSky<'a>>,
}

/// Level of channel `c` at pixel (x, y), 0 where it is not known.
pub type VeilLevel<'a> = dyn Fn(usize, usize, usize) -> f32 + Sync + 'a;

/// Smooth light of channel `c` at pixel (x, y).
pub type SmoothSky<'a> = dyn Fn(usize, usize, usize) -> f32 + Sync + 'a;

/// What was filled.
#[derive(Clone, Copy, Debug, Default, PartialEq, serde::Serialize)]
pub struct FillReport {
    /// Share of the visible sky (weighted by the matte) that no tracked frame saw, through twigs neither.
    pub filled_fraction: f64,
    /// Share of the visible sky that was seen through twigs alone: its stars and grain are measured, its level is filled.
    pub veiled_fraction: f64,
    /// Share of the visible sky in the soft change beside it.
    pub feathered_fraction: f64,
    /// Largest correction that joined fill and stack, as a fraction of the sky's level.
    pub largest_correction: f64,
}

/// Fills, in place, the pixels of `sky` that no tracked frame saw, and those hidden by land too.
///
/// After it every pixel of `sky` is finite. Call it before the land is turned into
/// [`crate::foreground`]. If no sky was found in the land picture only the stack's own level is
/// continued.
///
/// # Errors
/// [`SeamError::Size`] if planes differ in size, [`SeamError::Setting`] for settings out of range,
/// [`SeamError::Cancelled`].
pub fn fill_sky(
    sky: &mut Rgb,
    gap: &Gap,
    settings: &FillSettings,
    work: &Work,
) -> Result<FillReport, SeamError> {
    check(sky, gap, settings)?;
    work.step(0.0)?;
    let (width, height) = (sky.width(), sky.height());
    let seen = |sky: &Rgb, x: usize, y: usize| {
        gap.coverage.at(x, y) >= settings.min_coverage && sky.at(x, y).iter().all(|v| v.is_finite())
    };
    let far = distance_into_seen(sky, &seen, settings.feather_px);
    work.step(0.2)?;
    let clean = |x: usize, y: usize| seen(sky, x, y);
    let cells = sky_model::measure(sky, &clean, work)?;
    work.step(0.5)?;
    let join = Join::between(&cells, gap, (width, height));
    for c in 0..3 {
        let rows = sky.planes_mut()[c]
            .data_mut()
            .par_chunks_mut(width.max(1))
            .enumerate();
        rows.try_for_each(|(y, row)| {
            work.check()?;
            for (x, v) in row.iter_mut().enumerate() {
                let d = far[y * width + x] as usize;
                if d <= settings.feather_px {
                    let fill = join.fill(gap, c, x, y);
                    let share = ease(d as f32 / (settings.feather_px + 1) as f32);
                    *v = if d == 0 {
                        gap.through(*v, fill, [c, x, y])
                            .unwrap_or_else(|| fill + join.grain(c, x, y))
                    } else {
                        share * *v + (1.0 - share) * (fill + join.grain(c, x, y))
                    };
                }
            }
            Ok(())
        })?;
        work.step(0.5 + 0.5 * (c + 1) as f32 / 3.0)?;
    }
    Ok(report(gap, &far, settings.feather_px, join.largest))
}

fn check(sky: &Rgb, gap: &Gap, settings: &FillSettings) -> Result<(), SeamError> {
    let size = (sky.width(), sky.height());
    SeamError::check_size(
        "coverage map",
        size,
        (gap.coverage.width(), gap.coverage.height()),
    )?;
    SeamError::check_size("matte", size, (gap.matte.alpha.width(), gap.matte.alpha.height()))?;
    if settings.feather_px > 200 {
        let found = settings.feather_px as f64;
        return Err(SeamError::Setting {
            name: "feather_px",
            expected: "0 to 200",
            found,
        });
    }
    Ok(())
}

/// Rises smoothly from 0 to 1 with flat ends.
fn ease(t: f32) -> f32 {
    let t = t.clamp(0.0, 1.0);
    t * t * (3.0 - 2.0 * t)
}

/// Steps (king's moves) from each seen pixel to the nearest unseen one of a gap, up to `limit + 1`.
///
/// Holes of up to 4 px across are filled, but nothing is softened around them.
fn distance_into_seen(
    sky: &Rgb,
    seen: &(dyn Fn(&Rgb, usize, usize) -> bool + Sync),
    limit: usize,
) -> Vec<u8> {
    let (width, height) = (sky.width(), sky.height());
    let mut marks = vec![0u8; width * height];
    marks
        .par_chunks_mut(width.max(1))
        .enumerate()
        .for_each(|(y, row)| {
            row.iter_mut()
                .enumerate()
                .for_each(|(x, m)| *m = u8::from(seen(sky, x, y)));
        });
    let near_seen = resample::spread_bits(&marks, width, height, 2);
    let top = (limit + 1).min(255) as u8;
    let mut far: Vec<u8> = near_seen
        .iter()
        .map(|&near| if near == 0 { 0 } else { top })
        .collect();
    drop(near_seen);
    // The heart of a gap lies 2 px inside it: count from its rim.
    let bound = top.saturating_add(2);
    far.iter_mut().for_each(|d| *d = if *d == 0 { 0 } else { bound });
    chamfer(&mut far, width, height);
    for (d, &seen) in far.iter_mut().zip(&marks) {
        *d = if seen == 0 {
            0
        } else {
            d.saturating_sub(2).clamp(1, top)
        };
    }
    far
}

/// Chessboard distance in two sweeps.
fn chamfer(far: &mut [u8], width: usize, height: usize) {
    let step = |far: &mut [u8], i: usize, j: usize| far[i] = far[i].min(far[j].saturating_add(1));
    for y in 0..height {
        for x in 0..width {
            let i = y * width + x;
            if x > 0 {
                step(far, i, i - 1);
            }
            if y > 0 {
                for u in x.saturating_sub(1)..(x + 2).min(width) {
                    step(far, i, i - width - x + u);
                }
            }
        }
    }
    for y in (0..height).rev() {
        for x in (0..width).rev() {
            let i = y * width + x;
            if x + 1 < width {
                step(far, i, i + 1);
            }
            if y + 1 < height {
                for u in x.saturating_sub(1)..(x + 2).min(width) {
                    step(far, i, i + width - x + u);
                }
            }
        }
    }
}

/// The smooth correction between fill and stack, and the grain's strength.
struct Join {
    correction: [Plane; 3],
    grain: [f32; 3],
    known: bool,
    largest: f64,
}

impl Join {
    fn between(cells: &[Option<[sky_model::CellLevel; 3]>], gap: &Gap, size: (usize, usize)) -> Self {
        let factor = sky_model::FACTOR;
        let (width, height) = (size.0.div_ceil(factor), size.1.div_ceil(factor));
        let seen = gap.matte.sky_model.level().iter().all(|v| *v > 0.0);
        let known = seen || gap.smooth.is_some();
        // What is left of a cell beside land may be one bright star: its light is no sky's.
        let calm = sky_model::calm(cells);
        let weights = Plane::from_fn(width, height, |i, j| f32::from(u8::from(calm[j * width + i])));
        let centre = |k: usize, limit: usize| (k * factor + factor / 2).min(limit - 1);
        let mut largest = 0.0f64;
        let correction = std::array::from_fn(|c| {
            let differences = Plane::from_fn(width, height, |i, j| {
                let Some(cell) = cells[j * width + i].as_ref().filter(|_| calm[j * width + i]) else {
                    return 0.0;
                };
                let base = match known {
                    true => gap.base(c, centre(i, size.0), centre(j, size.1)),
                    false => 0.0,
                };
                if known && cell[c].level > 0.0 {
                    largest = largest.max(f64::from((cell[c].level - base).abs() / cell[c].level));
                }
                cell[c].level - base
            });
            resample::pull_push(&differences, &weights, 1.0)
        });
        let grain = std::array::from_fn(|c| {
            median_of(cells.iter().flatten().map(|cell| cell[c].sigma)).unwrap_or(0.0)
        });
        Self {
            correction,
            grain,
            known,
            largest,
        }
    }

    /// Fill of channel `c` at a pixel.
    fn fill(&self, gap: &Gap, c: usize, x: usize, y: usize) -> f32 {
        let factor = sky_model::FACTOR;
        let correction = resample::sample_cells(&self.correction[c], factor, x as f32, y as f32);
        if !self.known {
            return correction;
        }
        gap.base(c, x, y) + correction
    }

    /// Noise like the stack's.
    fn grain(&self, c: usize, x: usize, y: usize) -> f32 {
        match self.known {
            true => self.grain[c] * grain([x, y, c]),
            false => 0.0,
        }
    }
}

impl Gap<'_> {
    /// A pixel seen through land, `own`, brought from its own level to the sky's smooth light `fill`.
    fn through(&self, own: f32, fill: f32, [c, x, y]: [usize; 3]) -> Option<f32> {
        let level = self.veil.filter(|_| self.is_veiled(x, y))?(c, x, y);
        (own.is_finite() && level > 0.0).then(|| fill * own / level)
    }

    fn is_veiled(&self, x: usize, y: usize) -> bool {
        let frames = self.coverage.at(x, y);
        self.veil.is_some() && frames > 0.0 && frames < 1.0
    }

    /// The sky without stars on the stack's scale, before it is made to meet the stack.
    fn base(&self, c: usize, x: usize, y: usize) -> f32 {
        match self.smooth {
            Some(smooth) => smooth(c, x, y),
            None => self.tone.gain[c] * self.matte.sky_model.channel_at(c, x, y) + self.tone.offset[c],
        }
    }
}

/// A number like noise of spread 1 that belongs to a pixel and channel, so that a fill is not smoother than what it meets.
fn grain([x, y, c]: [usize; 3]) -> f32 {
    let bits = mix((y as u64) << 34 | (x as u64) << 4 | c as u64);
    // Four even numbers: their sum has nearly a normal spread.
    let sum: u64 = (0..4).map(|k| bits >> (16 * k) & 0xffff).sum();
    (sum as f32 / 65535.0 - 2.0) * 3f32.sqrt()
}

fn report(gap: &Gap, far: &[u8], feather: usize, largest_correction: f64) -> FillReport {
    let alpha = &gap.matte.alpha;
    let [mut visible, mut filled, mut veiled, mut feathered] = [0.0f64; 4];
    for (k, (&a, &d)) in alpha.data().iter().zip(far).enumerate() {
        let a = f64::from(a);
        visible += a;
        match usize::from(d) {
            0 if gap.is_veiled(k % alpha.width(), k / alpha.width()) => veiled += a,
            0 => filled += a,
            d if d <= feather => feathered += a,
            _ => {}
        }
    }
    let share = |v: f64| if visible > 0.0 { v / visible } else { 0.0 };
    FillReport {
        filled_fraction: share(filled),
        veiled_fraction: share(veiled),
        feathered_fraction: share(feathered),
        largest_correction,
    }
}
