//! How much noise a picture has at each scale, by its light: told by its own quiet places.

use nalgebra::{DMatrix, DVector};
use nightloom_fit::{median_of, non_negative, quantile};
use nightloom_raster::Rgb;
use rayon::prelude::*;

use crate::noise::dark_spread;

use super::opponent::{COLOURS, opponents};
use super::starlet::{HALO, Patch, SCALES};

/// Side of the places looked at, pixels, and how many are, at most.
const SIDE: usize = 48;
const PLACES: usize = 480;
/// Places without which nothing is told.
const LEAST_PLACES: usize = 24;
/// Share of a place that has to be valid.
const LEAST_VALID: f64 = 0.9;
/// Steps of light; in each the quieter places tell, since stars and texture only ever add.
const STEPS: usize = 6;
const QUIET: f64 = 0.2;

/// Variance of a coefficient at one scale: steady + per light · light, all over the number of frames.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Line {
    pub(super) steady: f32,
    pub(super) per_light: f32,
}

impl Line {
    pub(super) fn variance(&self, light: f32) -> f32 {
        self.steady + self.per_light * light.max(0.0)
    }
}

/// The law for each scale and each of luminance and two colours.
pub(super) type Law = [[Line; COLOURS]; SCALES];

/// What one place tells: its light, and variance times frames by scale and colour.
struct Told {
    light: f32,
    variance: [[f32; COLOURS]; SCALES],
}

/// The law of a picture; `None` where too few places are valid. `frames` is the weight of a pixel.
pub(super) fn law(
    picture: &Rgb,
    valid: &(impl Fn(usize, usize) -> bool + Sync),
    frames: &(impl Fn(usize, usize) -> f32 + Sync),
) -> Option<Law> {
    let (columns, rows) = (picture.width() / SIDE, picture.height() / SIDE);
    let step = (columns * rows).div_ceil(PLACES).max(1) | 1;
    let chosen: Vec<usize> = (0..columns * rows).step_by(step).collect();
    let mut told: Vec<Told> = chosen
        .par_iter()
        .filter_map(|k| look(picture, [k % columns * SIDE, k / columns * SIDE], valid, frames))
        .collect();
    if told.len() < LEAST_PLACES {
        return None;
    }
    told.sort_by(|a, b| a.light.total_cmp(&b.light));
    let line = |scale: usize, colour: usize| line(&told, |t| t.variance[scale][colour]);
    Some(std::array::from_fn(|s| std::array::from_fn(|c| line(s, c))))
}

fn look(
    picture: &Rgb,
    [x0, y0]: [usize; 2],
    valid: &impl Fn(usize, usize) -> bool,
    frames: &impl Fn(usize, usize) -> f32,
) -> Option<Told> {
    let places = || (y0..y0 + SIDE).flat_map(move |y| (x0..x0 + SIDE).map(move |x| (x, y)));
    let inside: Vec<bool> = places().map(|(x, y)| valid(x, y)).collect();
    if (inside.iter().filter(|v| **v).count() as f64) < LEAST_VALID * inside.len() as f64 {
        return None;
    }
    let weight = median_of(places().map(|(x, y)| frames(x, y)))?;
    let (left, top) = (x0.saturating_sub(HALO), y0.saturating_sub(HALO));
    let (right, bottom) = (
        (x0 + SIDE + HALO).min(picture.width()),
        (y0 + SIDE + HALO).min(picture.height()),
    );
    let mut patches = opponents(picture, [left, top, right, bottom]);
    let own = |patch: &Patch| -> Vec<f32> {
        let value = |(x, y): (usize, usize)| patch.values[(y - top) * patch.width + x - left];
        places()
            .zip(&inside)
            .filter(|(_, v)| **v)
            .map(|(p, _)| value(p))
            .collect()
    };
    let light = median_of(own(&patches[0]))?;
    let variance = std::array::from_fn(|scale| {
        std::array::from_fn(|colour| {
            let mut values = own(&patches[colour].part(1 << scale));
            weight * dark_spread(&mut values).unwrap_or(0.0).powi(2)
        })
    });
    (weight > 0.0).then_some(Told { light, variance })
}

/// The line through the quiet places of each step of light, none of its parts negative.
fn line(told: &[Told], variance: impl Fn(&Told) -> f32) -> Line {
    let steps: Vec<[f64; 2]> = (0..STEPS)
        .filter_map(|k| {
            let part = &told[k * told.len() / STEPS..(k + 1) * told.len() / STEPS];
            let mut values: Vec<f32> = part.iter().map(&variance).collect();
            let light = median_of(part.iter().map(|t| t.light))?;
            Some([
                f64::from(light).max(0.0),
                f64::from(quantile(&mut values, QUIET)?),
            ])
        })
        .collect();
    let design = DMatrix::from_fn(steps.len(), 2, |i, j| if j == 0 { 1.0 } else { steps[i][0] });
    let values = DVector::from_iterator(steps.len(), steps.iter().map(|s| s[1]));
    let weights = DVector::from_iterator(steps.len(), steps.iter().map(|s| 1.0 / (s[1] * s[1]).max(1e-30)));
    let scale = weights.amax().max(f64::MIN_POSITIVE);
    let found = non_negative(&design, &values, Some(&(weights / scale)));
    Line {
        steady: found[0] as f32,
        per_light: found[1] as f32,
    }
}
