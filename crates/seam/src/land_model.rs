//! The land's colour and its local spread on a grid of cells, continued past its edge.

use nightloom_raster::{Plane, Rgb};
use rayon::prelude::*;

use crate::{SeamError, Work, resample, resample::Between};

/// Pixels per cell side.
const FACTOR: usize = 6;

/// This many pixels in a cell make it stand for itself.
const FULL: f32 = 6.0;

/// Channels of the six entries of a covariance, and where its diagonal lies.
const PAIRS: [(usize, usize); 6] = [(0, 0), (0, 1), (0, 2), (1, 1), (1, 2), (2, 2)];
const DIAGONAL: [usize; 3] = [0, 3, 5];

/// Mean land colour and texture near every pixel.
#[derive(Clone, Debug)]
pub(crate) struct LandModel {
    mean: [Plane; 3],
    covariance: [Plane; 6],
    /// The picture's first pixel in the model.
    origin: [f32; 2],
    /// No pixel was gathered.
    empty: bool,
}

impl Default for LandModel {
    /// Black land everywhere.
    fn default() -> Self {
        let black = || Plane::filled(1, 1, 0.0);
        Self {
            mean: std::array::from_fn(|_| black()),
            covariance: std::array::from_fn(|_| black()),
            origin: [0.0; 2],
            empty: true,
        }
    }
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
        let empty = sums.iter().all(|s| s.weight == 0.0);
        let weights = Plane::from_fn(width, height, |i, j| sums[j * width + i].weight);
        let spread = |value: &dyn Fn(&Sums) -> f32| {
            let values = Plane::from_fn(width, height, |i, j| value(&sums[j * width + i]));
            resample::pull_push(&values, &weights, FULL)
        };
        let mean: [Plane; 3] = std::array::from_fn(|c| spread(&|s| s.sum[c] / s.weight.max(1e-6)));
        let covariance = std::array::from_fn(|k| {
            let (a, b) = PAIRS[k];
            let mut product = spread(&|s| s.product[k] / s.weight.max(1e-6));
            let means = mean[a].data().iter().zip(mean[b].data());
            product
                .data_mut()
                .iter_mut()
                .zip(means)
                .for_each(|(p, (a, b))| *p -= a * b);
            product
        });
        Ok(Self {
            mean,
            covariance,
            origin: [0.0; 2],
            empty,
        })
    }

    /// Whether no pixel was gathered.
    pub(crate) fn is_empty(&self) -> bool {
        self.empty
    }

    /// Its planes, as [`LandModel::of_planes`] takes them.
    pub(crate) fn planes(&self) -> impl Iterator<Item = &Plane> {
        self.mean.iter().chain(&self.covariance)
    }

    /// A model of three mean planes and six of covariance, all of one size.
    pub(crate) fn of_planes(planes: Vec<Plane>, empty: bool) -> Option<Self> {
        let size = planes.first().map(|p| (p.width(), p.height()))?;
        if planes
            .iter()
            .any(|p| (p.width(), p.height()) != size || p.data().is_empty())
        {
            return None;
        }
        let [r, g, b, c0, c1, c2, c3, c4, c5] = <[Plane; 9]>::try_from(planes).ok()?;
        Some(Self {
            mean: [r, g, b],
            covariance: [c0, c1, c2, c3, c4, c5],
            origin: [0.0; 2],
            empty,
        })
    }

    /// This model, or another where this one had nothing to go by.
    pub(crate) fn or(self, other: &Self) -> Self {
        if self.empty { other.clone() } else { self }
    }

    /// The same land for a part of the picture that begins at (x0, y0).
    pub(crate) fn from(&self, x0: usize, y0: usize) -> Self {
        self.clone().begun_at([x0 as f32, y0 as f32])
    }

    /// This model for a picture whose first pixel is this one's at (x, y); beyond the cells the outermost go on.
    pub(crate) fn begun_at(mut self, [x, y]: [f32; 2]) -> Self {
        self.origin = [self.origin[0] + x, self.origin[1] + y];
        self
    }

    /// Its planes are of one size.
    #[inline]
    fn between(&self, x: usize, y: usize) -> Between {
        let [x0, y0] = self.origin;
        Between::of(&self.mean[0], FACTOR, x as f32 + x0, y as f32 + y0)
    }

    /// Mean colour of the nearest land.
    pub(crate) fn at(&self, x: usize, y: usize) -> [f32; 3] {
        let place = self.between(x, y);
        self.mean.each_ref().map(|mean| place.sample(mean))
    }

    /// Covariance of its pixels (texture and noise): rr, rg, rb, gg, gb, bb.
    pub(crate) fn covariance_at(&self, x: usize, y: usize) -> [f32; 6] {
        let place = self.between(x, y);
        self.covariance.each_ref().map(|entry| place.sample(entry))
    }

    #[inline]
    pub(crate) fn channel_at(&self, c: usize, x: usize, y: usize) -> f32 {
        self.between(x, y).sample(&self.mean[c])
    }

    #[inline]
    pub(crate) fn channel_sigma_at(&self, c: usize, x: usize, y: usize) -> f32 {
        self.between(x, y)
            .sample(&self.covariance[DIAGONAL[c]])
            .max(0.0)
            .sqrt()
    }
}

#[derive(Clone, Copy, Default)]
struct Sums {
    weight: f32,
    sum: [f32; 3],
    product: [f32; 6],
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
                }
                for (product, (a, b)) in sums.product.iter_mut().zip(PAIRS) {
                    *product += w * colour[a] * colour[b];
                }
            }
        }
    }
    sums
}
