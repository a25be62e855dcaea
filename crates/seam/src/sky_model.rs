//! The sky without its stars, as the fixed camera saw it: smooth, known behind the trees too.
//!
//! A cell's level is its clipped mode; over the whole picture they are a robust cubic plus what is left,
//! continued over the land from the nearest known cells. Behind the ridge the cubic goes on
//! and the rest holds its last value, so a light dome's slope is not lost.

use nightloom_fit::{median, median_and_sigma, median_of};
use nightloom_raster::{Plane, Rgb};
use rayon::prelude::*;

use crate::{SeamError, Work, resample, stats, surface::Surface};

/// Pixels per cell side.
pub(crate) const FACTOR: usize = 16;
/// A cell counts when this many of its pixels are sky.
const LEAST_PIXELS: usize = 40;

/// Sky varies by less than this part of its level within a cell, as its pixels' median deviation tells …
const PLAIN_SPREAD: f32 = 0.12;
/// … or by no more than so many times the noise of most cells.
const PLAIN_SIGMA: f32 = 3.0;

/// Bright clouds of the Milky Way vary by less than so many times that.
const MILKY_WAY: f32 = 2.0;

/// Above this many pixels every second one is enough.
const PLENTY: usize = 160;
/// With this share of them a cell's own slope tells the level in its middle.
const MOSTLY: f32 = 0.4;

/// Star-free sky of the land picture on a grid of cells, continued smoothly over the land.
#[derive(Clone, Debug)]
pub struct SkyModel {
    cells: [Plane; 3],
    noise: [f32; 3],
    level: [f32; 3],
    /// The picture's first pixel in the model.
    origin: [f32; 2],
}

#[derive(Clone, Copy, Debug)]
pub(crate) struct CellLevel {
    pub(crate) level: f32,
    pub(crate) sigma: f32,
    /// Middle of the pixels it was measured on, in cells from the first cell's corner.
    pub(crate) centre: [f32; 2],
}

impl CellLevel {
    /// Whether it holds nothing but sky, noise and stars: twigs of a crown spread its pixels and pull its level down.
    fn is_plain(&self, levels: [f32; 2]) -> bool {
        self.spread(levels) <= 1.0
    }

    /// Its spread over the most that plain sky has.
    fn spread(&self, [noise, level]: [f32; 2]) -> f32 {
        let spread = PLAIN_SPREAD * self.level.abs();
        self.sigma
            / spread
                .max(PLAIN_SIGMA * noise * (self.level / level).max(0.0).sqrt())
                .max(f32::MIN_POSITIVE)
    }
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
            origin: [0.0; 2],
        };
        let channels: Vec<(Plane, [f32; 2])> = (0..3)
            .into_par_iter()
            .map(|c| {
                let mut cells: Vec<Option<CellLevel>> =
                    measured.iter().map(|m| m.as_ref().map(|m| m[c])).collect();
                let levels = middles(measured, c);
                let plain: Vec<_> = cells.iter().map(|c| c.filter(|c| c.is_plain(levels))).collect();
                // Dark twigs pull a cell down; what is no darker and varies but a little more is the Milky Way or aurora.
                let told = continued(&plain, width, height);
                for (k, cell) in cells.iter_mut().enumerate() {
                    let least = told.at(k % width, k / width);
                    *cell = cell
                        .filter(|c| plain[k].is_some() || (c.level >= least && c.spread(levels) < MILKY_WAY));
                }
                (continued(&cells, width, height), levels)
            })
            .collect();
        for (c, (cells, [noise, level])) in channels.into_iter().enumerate() {
            (model.cells[c], model.noise[c], model.level[c]) = (cells, noise, level);
        }
        model
    }

    /// Star-free sky colour at pixel (x, y), linear.
    pub fn at(&self, x: usize, y: usize) -> [f32; 3] {
        let [x0, y0] = self.origin;
        let place = resample::Between::of(&self.cells[0], FACTOR, x as f32 + x0, y as f32 + y0);
        self.cells.each_ref().map(|cells| place.sample(cells))
    }

    #[inline]
    pub(crate) fn channel_at(&self, c: usize, x: usize, y: usize) -> f32 {
        let [x0, y0] = self.origin;
        resample::sample_cells(&self.cells[c], FACTOR, x as f32 + x0, y as f32 + y0)
    }

    /// The same sky for a part of the picture that begins at (x0, y0).
    pub(crate) fn from(&self, x0: usize, y0: usize) -> Self {
        self.clone().begun_at([x0 as f32, y0 as f32])
    }

    /// This model for a picture whose first pixel is this one's at (x, y); beyond the cells the outermost go on.
    pub(crate) fn begun_at(mut self, [x, y]: [f32; 2]) -> Self {
        self.origin = [self.origin[0] + x, self.origin[1] + y];
        self
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

/// Middle noise and level of channel `c` over all cells.
fn middles(cells: &[SkyCell], c: usize) -> [f32; 2] {
    let middle =
        |get: fn(&CellLevel) -> f32| median_of(cells.iter().flatten().map(|m| get(&m[c]))).unwrap_or(0.0);
    [middle(|m| m.sigma), middle(|m| m.level)]
}

/// Cells that hold sky and no more light of stars than the Milky Way's.
pub(crate) fn calm(cells: &[SkyCell]) -> Vec<bool> {
    let levels: [[f32; 2]; 3] = std::array::from_fn(|c| middles(cells, c));
    let is_calm = |cell: &[CellLevel; 3]| (0..3).all(|c| cell[c].spread(levels[c]) < MILKY_WAY);
    cells
        .iter()
        .map(|cell| cell.as_ref().is_some_and(is_calm))
        .collect()
}

/// Star-free level and noise of one cell, per channel; `None` where too little of it is sky.
pub(crate) type SkyCell = Option<[CellLevel; 3]>;

/// Gives those cells their sky that hold more than plain sky but proved its level through gaps: `gaps` are squares of
/// pixels of one side, each with the level found there in parts of `sky`'s.
pub(crate) fn take_gaps(
    measured: &mut [SkyCell],
    sky: &SkyModel,
    picture: &Rgb,
    gaps: impl Iterator<Item = ([usize; 2], f32)>,
) {
    let width = picture.width().div_ceil(FACTOR);
    let mut sums = vec![[0.0f32; 4]; measured.len()];
    for ([x, y], level) in gaps {
        let sum = &mut sums[y / FACTOR * width + x / FACTOR];
        let more = [1.0, level, x as f32 / FACTOR as f32, y as f32 / FACTOR as f32];
        sum.iter_mut().zip(more).for_each(|(s, v)| *s += v);
    }
    for (k, (cell, [n, level, x, y])) in measured.iter_mut().zip(sums).enumerate() {
        let plain = |m: &[CellLevel; 3]| (0..3).all(|c| m[c].is_plain([sky.noise[c], sky.level[c]]));
        if n == 0.0 || cell.as_ref().is_some_and(plain) {
            continue;
        }
        let middle = |v: usize, end: usize| (v * FACTOR + FACTOR / 2).min(end - 1);
        let at = [
            middle(k % width, picture.width()),
            middle(k / width, picture.height()),
        ];
        *cell = Some(std::array::from_fn(|c| {
            let told = sky.channel_at(c, at[0], at[1]);
            CellLevel {
                level: told * level / n,
                sigma: sky.noise_at(c, told),
                centre: [x / n, y / n],
            }
        }));
    }
}

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

fn cell_levels(land: &Rgb, i: usize, j: usize, is_sky: &(dyn Fn(usize, usize) -> bool + Sync)) -> SkyCell {
    let (mut places, mut values): (Vec<[f32; 2]>, [Vec<f32>; 3]) = Default::default();
    for y in j * FACTOR..((j + 1) * FACTOR).min(land.height()) {
        for x in i * FACTOR..((i + 1) * FACTOR).min(land.width()) {
            let colour = land.at(x, y);
            if colour.iter().all(|v| v.is_finite()) && is_sky(x, y) {
                values.iter_mut().zip(colour).for_each(|(list, v)| list.push(v));
                places.push([x, y].map(|v| (v as f32 + 0.5) / FACTOR as f32));
            }
        }
    }
    if places.len() < LEAST_PIXELS {
        return None;
    }
    if places.len() > PLENTY {
        // Of a chequered board, so that every row and column is seen.
        let odd = |[x, y]: [f32; 2]| ((x + y) * FACTOR as f32) as usize % 2 == 1;
        for list in &mut values {
            let mut at = places.iter();
            list.retain(|_| at.next().is_some_and(|p| odd(*p)));
        }
        places.retain(|p| odd(*p));
    }
    let n = places.len().max(1) as f32;
    let centre = places
        .iter()
        .fold([0.0; 2], |[x, y], p| [x + p[0] / n, y + p[1] / n]);
    Some(values.map(|mut list| {
        let slopes = take_slope(&mut list, &places, centre);
        let mut level = stats::sky_level(&mut list);
        let sigma = median_and_sigma(&mut list).map_or(f32::NAN, |m| m.1);
        if n < MOSTLY * PLENTY as f32 {
            return CellLevel { level, sigma, centre };
        }
        let middle = [i, j].map(|v| v as f32 + 0.5);
        level += (0..2)
            .map(|axis| slopes[axis] * (middle[axis] - centre[axis]))
            .sum::<f32>();
        CellLevel {
            level,
            sigma,
            centre: middle,
        }
    }))
}

/// Levels a cell about its middle: near the horizon the sky fades within one by as much as twigs would darken it. The slopes
/// are those between the medians of its halves, so that stars count little; they are returned, per cell.
fn take_slope(values: &mut [f32], places: &[[f32; 2]], centre: [f32; 2]) -> [f32; 2] {
    let slope = |axis: usize| {
        let half = |beyond: bool| {
            let of = places.iter().zip(values.iter());
            let of = of.filter(|(p, _)| (p[axis] > centre[axis]) == beyond);
            let (at, mut values): (Vec<f32>, Vec<f32>) = of.map(|(p, v)| (p[axis], *v)).unzip();
            Some((median(&mut values)?, at.iter().sum::<f32>() / at.len() as f32))
        };
        let (low, high) = (half(false)?, half(true)?);
        Some((high.0 - low.0) / (high.1 - low.1)).filter(|s| s.is_finite())
    };
    let slopes = [0, 1].map(|axis| slope(axis).unwrap_or(0.0));
    for (value, at) in values.iter_mut().zip(places) {
        *value -= slopes[0] * (at[0] - centre[0]) + slopes[1] * (at[1] - centre[1]);
    }
    slopes
}

/// Cubic plus smoothed rest, continued where cells are NaN.
fn continued(cells: &[Option<CellLevel>], width: usize, height: usize) -> Plane {
    let place = |at: [f32; 2]| [at[0] / width as f32, at[1] / height as f32];
    let surface = Surface::fit(cells.iter().flatten().map(|c| (place(c.centre), c.level)));
    // A cell half hidden by the ridge was measured above its middle: compare it with the surface there.
    let rest = |c: &Option<CellLevel>| c.map_or(f32::NAN, |c| c.level - surface.at(place(c.centre)));
    let mut rest = Plane::from_vec(width, height, cells.iter().map(rest).collect());
    if rest.data().iter().all(|v| !v.is_finite()) {
        return Plane::filled(width, height, 0.0);
    }
    resample::fill_nan(&mut rest);
    let rest = smooth(&rest);
    Plane::from_fn(width, height, |i, j| {
        surface.at(place([i as f32 + 0.5, j as f32 + 0.5])) + rest.at(i, j)
    })
}

/// Held within the middle five of nine, then smoothed: single cells with a bright star do not count.
fn smooth(cells: &Plane) -> Plane {
    let (width, height) = (cells.width(), cells.height());
    let calm = Plane::from_fn(width, height, |i, j| {
        let mut near = around(cells, i, j);
        near.sort_by(f32::total_cmp);
        cells.at(i, j).clamp(near[2], near[6])
    });
    // Twicing (Tukey 1977, Exploratory Data Analysis, ch. 16): what the first pass took off a bend is given back.
    let once = binomial(&calm);
    let lost = Plane::from_fn(width, height, |i, j| calm.at(i, j) - once.at(i, j));
    let back = binomial(&lost);
    Plane::from_fn(width, height, |i, j| once.at(i, j) + back.at(i, j))
}

/// The 1-2-1 binomial both ways.
fn binomial(plane: &Plane) -> Plane {
    const WEIGHTS: [f32; 9] = [1.0, 2.0, 1.0, 2.0, 4.0, 2.0, 1.0, 2.0, 1.0];
    Plane::from_fn(plane.width(), plane.height(), |i, j| {
        let near = around(plane, i, j);
        near.iter().zip(WEIGHTS).map(|(v, w)| v * w).sum::<f32>() / 16.0
    })
}

/// A cell and the eight round it; beyond the rim the outermost go on.
fn around(plane: &Plane, i: usize, j: usize) -> [f32; 9] {
    std::array::from_fn(|k| {
        let x = (i + k % 3).saturating_sub(1).min(plane.width() - 1);
        let y = (j + k / 3).saturating_sub(1).min(plane.height() - 1);
        plane.at(x, y)
    })
}
