//! The sky without its stars, as the fixed camera saw it: smooth, known behind the trees too.
//!
//! A cell's level is its clipped mode; over the whole picture they are a robust cubic plus what is left,
//! continued over the land from the nearest known cells. Behind the ridge the cubic goes on
//! and the rest holds its last value, so a light dome's slope is not lost.

use nightloom_raster::{Plane, Rgb};
use rayon::prelude::*;

use crate::{SeamError, Work, resample, stats, surface::Surface};

/// Pixels per cell side.
pub(crate) const FACTOR: usize = 16;
/// A cell counts when this many of its pixels are sky.
const LEAST_PIXELS: usize = 40;

/// Above this many pixels every second one is enough.
const PLENTY: usize = 160;

/// Star-free sky of the land picture on a grid of cells, continued smoothly over the land.
#[derive(Clone, Debug)]
pub struct SkyModel {
    cells: [Plane; 3],
    noise: [f32; 3],
    level: [f32; 3],
}

#[derive(Clone, Copy)]
pub(crate) struct CellLevel {
    pub(crate) level: f32,
    pub(crate) sigma: f32,
}

impl SkyModel {
    /// The sky through measured cells of a picture of the given size.
    pub(crate) fn through(measured: &[SkyCell], picture: &Rgb) -> Self {
        let (width, height) = (
            picture.width().div_ceil(FACTOR),
            picture.height().div_ceil(FACTOR),
        );
        let mut model = Self {
            cells: std::array::from_fn(|_| Plane::filled(width, height, 0.0)),
            noise: [0.0; 3],
            level: [0.0; 3],
        };
        for c in 0..3 {
            let of = |get: fn(&CellLevel) -> f32| -> Vec<f32> {
                measured
                    .iter()
                    .map(|m| m.as_ref().map_or(f32::NAN, |m| get(&m[c])))
                    .collect()
            };
            let levels = Plane::from_vec(width, height, of(|m| m.level));
            let known = |v: Vec<f32>| -> Vec<f32> { v.into_iter().filter(|v| v.is_finite()).collect() };
            model.noise[c] = non_nan(stats::median(&mut known(of(|m| m.sigma))));
            model.level[c] = non_nan(stats::median(&mut known(of(|m| m.level))));
            model.cells[c] = continued(levels);
        }
        model
    }

    /// Star-free sky colour at pixel (x, y), linear.
    pub fn at(&self, x: usize, y: usize) -> [f32; 3] {
        std::array::from_fn(|c| self.channel_at(c, x, y))
    }

    #[inline]
    pub(crate) fn channel_at(&self, c: usize, x: usize, y: usize) -> f32 {
        resample::sample_cells(&self.cells[c], FACTOR, x as f32, y as f32)
    }

    /// Noise of one pixel at the sky's middle level, standard deviation per channel, linear units.
    pub fn noise(&self) -> [f32; 3] {
        self.noise
    }

    /// The sky's middle level per channel, linear units; 0 where no sky was seen.
    pub fn level(&self) -> [f32; 3] {
        self.level
    }

    /// Noise of one pixel of channel `c` at a level: photon noise grows with its root.
    pub(crate) fn noise_at(&self, c: usize, level: f32) -> f32 {
        let relative = (level / self.level[c].max(f32::MIN_POSITIVE)).clamp(0.15, 50.0);
        (self.noise[c] * relative.sqrt()).max(1e-7)
    }
}

/// Star-free level and noise of one cell, per channel; `None` where too little of it is sky.
pub(crate) type SkyCell = Option<[CellLevel; 3]>;

/// Star-free level and noise of every cell, over the pixels for which `is_sky(x, y)`.
pub(crate) fn measure(
    picture: &Rgb,
    is_sky: &(dyn Fn(usize, usize) -> bool + Sync),
    work: &Work,
) -> Result<Vec<SkyCell>, SeamError> {
    let (width, height) = (
        picture.width().div_ceil(FACTOR),
        picture.height().div_ceil(FACTOR),
    );
    let mut measured = vec![None; width * height];
    remeasure(&mut measured, picture, is_sky, &|_, _| true, work)?;
    Ok(measured)
}

/// Measures again those cells whose square of pixels, from (x, y) on, `touches(x, y)` names.
pub(crate) fn remeasure(
    measured: &mut [SkyCell],
    picture: &Rgb,
    is_sky: &(dyn Fn(usize, usize) -> bool + Sync),
    touches: &(dyn Fn(usize, usize) -> bool + Sync),
    work: &Work,
) -> Result<(), SeamError> {
    let width = picture.width().div_ceil(FACTOR);
    measured
        .par_chunks_mut(width.max(1))
        .enumerate()
        .try_for_each(|(j, row)| {
            work.check()?;
            for (i, cell) in row.iter_mut().enumerate() {
                if touches(i * FACTOR, j * FACTOR) {
                    *cell = cell_levels(picture, i, j, is_sky);
                }
            }
            Ok(())
        })
}

fn non_nan(v: f32) -> f32 {
    if v.is_finite() { v } else { 0.0 }
}

fn cell_levels(land: &Rgb, i: usize, j: usize, is_sky: &(dyn Fn(usize, usize) -> bool + Sync)) -> SkyCell {
    let mut values: [Vec<f32>; 3] = Default::default();
    for y in j * FACTOR..((j + 1) * FACTOR).min(land.height()) {
        for x in i * FACTOR..((i + 1) * FACTOR).min(land.width()) {
            let colour = land.at(x, y);
            if colour.iter().all(|v| v.is_finite()) && is_sky(x, y) {
                values.iter_mut().zip(colour).for_each(|(list, v)| list.push(v));
            }
        }
    }
    (values[0].len() >= LEAST_PIXELS).then(|| {
        values.map(|mut list| {
            if list.len() > PLENTY {
                let mut odd = false;
                list.retain(|_| {
                    odd = !odd;
                    odd
                });
            }
            let level = stats::sky_level(&mut list);
            let (_, sigma) = stats::middle_and_sigma(&mut list);
            CellLevel { level, sigma }
        })
    })
}

/// Cubic plus smoothed rest, continued where cells are NaN.
fn continued(levels: Plane) -> Plane {
    let (width, height) = (levels.width(), levels.height());
    let place = |i: usize, j: usize| [(i as f32 + 0.5) / width as f32, (j as f32 + 0.5) / height as f32];
    let points = (0..width * height).map(|k| (place(k % width, k / width), levels.data()[k]));
    let surface = Surface::fit(points);
    let mut rest = Plane::from_fn(width, height, |i, j| levels.at(i, j) - surface.at(place(i, j)));
    if rest.data().iter().all(|v| !v.is_finite()) {
        return Plane::filled(width, height, 0.0);
    }
    resample::fill_nan(&mut rest);
    let rest = smooth(&rest);
    Plane::from_fn(width, height, |i, j| surface.at(place(i, j)) + rest.at(i, j))
}

/// Median of nine, then the 1-2-1 binomial: single cells with a bright star do not count.
fn smooth(cells: &Plane) -> Plane {
    let (width, height) = (cells.width(), cells.height());
    let around = |plane: &Plane, i: usize, j: usize| -> [f32; 9] {
        std::array::from_fn(|k| {
            let x = (i + k % 3).saturating_sub(1).min(width - 1);
            let y = (j + k / 3).saturating_sub(1).min(height - 1);
            plane.at(x, y)
        })
    };
    let calm = Plane::from_fn(width, height, |i, j| {
        let mut near = around(cells, i, j);
        near.sort_by(f32::total_cmp);
        cells.at(i, j).clamp(near[2], near[6])
    });
    const WEIGHTS: [f32; 9] = [1.0, 2.0, 1.0, 2.0, 4.0, 2.0, 1.0, 2.0, 1.0];
    Plane::from_fn(width, height, |i, j| {
        around(&calm, i, j)
            .iter()
            .zip(WEIGHTS)
            .map(|(v, w)| v * w)
            .sum::<f32>()
            / 16.0
    })
}
