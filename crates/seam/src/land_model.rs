//! The land's colour and its local spread on a grid of cells, continued past its edge.

use nightloom_raster::{Plane, Rgb};
use rayon::prelude::*;

use crate::{SeamError, Work, resample};

/// Pixels per cell side.
const FACTOR: usize = 6;

/// This many pixels in a cell make it stand for itself.
const FULL: f32 = 6.0;

/// Mean land colour and texture near every pixel.
#[derive(Clone, Debug)]
pub(crate) struct LandModel {
    mean: [Plane; 3],
    sigma: [Plane; 3],
}

impl LandModel {
    /// Gathers the pixels for which `weight(x, y)` is above zero.
    pub(crate) fn fit(
        land: &Rgb,
        weight: &(dyn Fn(usize, usize) -> f32 + Sync),
        work: &Work,
    ) -> Result<Self, SeamError> {
        let (width, height) = (land.width().div_ceil(FACTOR), land.height().div_ceil(FACTOR));
        let rows: Result<Vec<_>, SeamError> = (0..height)
            .into_par_iter()
            .map(|j| {
                work.check()?;
                Ok((0..width).map(|i| gather(land, i, j, weight)).collect::<Vec<_>>())
            })
            .collect();
        let sums = rows?.concat();
        let weights = Plane::from_fn(width, height, |i, j| sums[j * width + i].weight);
        let spread = |value: &dyn Fn(&Sums) -> f32| {
            let values = Plane::from_fn(width, height, |i, j| value(&sums[j * width + i]));
            resample::pull_push(&values, &weights, FULL)
        };
        let mean: [Plane; 3] = std::array::from_fn(|c| spread(&|s| s.sum[c] / s.weight.max(1e-6)));
        let square: [Plane; 3] = std::array::from_fn(|c| spread(&|s| s.square[c] / s.weight.max(1e-6)));
        let sigma = std::array::from_fn(|c| {
            let variance = |k: usize| (square[c].data()[k] - mean[c].data()[k].powi(2)).max(0.0);
            Plane::from_fn(width, height, |i, j| variance(j * width + i).sqrt())
        });
        Ok(Self { mean, sigma })
    }

    /// Mean colour of the nearest land.
    pub(crate) fn at(&self, x: usize, y: usize) -> [f32; 3] {
        std::array::from_fn(|c| self.channel_at(c, x, y))
    }

    /// Standard deviation of its pixels (texture and noise).
    pub(crate) fn sigma_at(&self, x: usize, y: usize) -> [f32; 3] {
        std::array::from_fn(|c| self.channel_sigma_at(c, x, y))
    }

    #[inline]
    pub(crate) fn channel_at(&self, c: usize, x: usize, y: usize) -> f32 {
        resample::sample_cells(&self.mean[c], FACTOR, x as f32, y as f32)
    }

    #[inline]
    pub(crate) fn channel_sigma_at(&self, c: usize, x: usize, y: usize) -> f32 {
        resample::sample_cells(&self.sigma[c], FACTOR, x as f32, y as f32)
    }
}

#[derive(Clone, Copy, Default)]
struct Sums {
    weight: f32,
    sum: [f32; 3],
    square: [f32; 3],
}

fn gather(land: &Rgb, i: usize, j: usize, weight: &(dyn Fn(usize, usize) -> f32 + Sync)) -> Sums {
    let mut sums = Sums::default();
    for y in j * FACTOR..((j + 1) * FACTOR).min(land.height()) {
        for x in i * FACTOR..((i + 1) * FACTOR).min(land.width()) {
            let w = weight(x, y);
            let colour = land.at(x, y);
            if w > 0.0 && colour.iter().all(|v| v.is_finite()) {
                sums.weight += w;
                for (c, v) in colour.into_iter().enumerate() {
                    sums.sum[c] += w * v;
                    sums.square[c] += w * v * v;
                }
            }
        }
    }
    sums
}
