//! What speaks for each focus at each pixel: its detail over its noise.

use nightloom_raster::Plane;
use rayon::prelude::*;

use super::detail::NoiseLine;
use crate::blur::{blurred, kernel};

/// Detail is what lies between Gaussians of these σ, pixels; the first is the picture itself.
pub(super) const SIGMAS_PX: [f32; 3] = [0.0, 1.0, 2.0];
pub(super) const BANDS: usize = SIGMAS_PX.len() - 1;
/// Noise is taken for the picture smoothed by this, pixels, so that it does not follow itself.
const LEVEL_PX: f32 = 2.0;

/// One layer's detail and what noise gives in it.
pub(super) struct Evidence {
    /// The bands, the finest first.
    pub(super) bands: Vec<Plane>,
    /// Variance of a pixel's noise.
    pub(super) noise: Plane,
    /// Variance that the noise has in each band, for each unit of the pixel's.
    pub(super) white: [f32; BANDS],
}

impl Evidence {
    pub(super) fn of(luminance: Plane, noise: NoiseLine) -> Self {
        let told = mapped(&blurred(&luminance, LEVEL_PX), |v| {
            noise.at(v).max(f32::MIN_POSITIVE)
        });
        let mut bands = Vec::new();
        let mut finer = luminance.clone();
        for sigma in &SIGMAS_PX[1..] {
            let coarser = blurred(&luminance, *sigma);
            bands.push(combined(&finer, &coarser, |a, b| a - b));
            finer = coarser;
        }
        let white = std::array::from_fn(|b| {
            let white = white(SIGMAS_PX[b], SIGMAS_PX[b + 1]);
            white * noise_factor(&bands[b], &told, white).unwrap_or(1.0)
        });
        Self {
            bands,
            noise: told,
            white,
        }
    }

    /// Energy over the noise's, less what noise alone gives, summed over the bands.
    pub(super) fn energy(&self) -> Plane {
        let mut sum = Plane::filled(self.noise.width(), self.noise.height(), -(BANDS as f32));
        for (band, white) in self.bands.iter().zip(self.white) {
            let told = self.noise.data().par_iter().zip(band.data());
            let values = sum.data_mut().par_iter_mut().zip(told);
            values.for_each(|(s, (n, v))| *s += v * v / (n * white));
        }
        sum
    }

    /// The same of the difference of two.
    pub(super) fn difference(&self, other: &Self) -> Plane {
        let mut sum = Plane::filled(self.noise.width(), self.noise.height(), -(BANDS as f32));
        for b in 0..BANDS {
            let ours = self.bands[b].data().par_iter().zip(self.noise.data());
            let theirs = other.bands[b].data().par_iter().zip(other.noise.data());
            let values = sum.data_mut().par_iter_mut().zip(ours.zip(theirs));
            values.for_each(|(s, ((p, m), (q, n)))| {
                *s += (p - q) * (p - q) / (m * self.white[b] + n * other.white[b]);
            });
        }
        sum
    }
}

/// Relative variances of the mean energy in a Gaussian window of σ pixels: of noise alone, and for each
/// unit of energy above it.
pub(super) fn chance(sigma: f32) -> (f32, f32) {
    // Values of a band are alike over the area of the Gaussian that made it.
    let values = |b: usize| 2.0 * (sigma / SIGMAS_PX[b].max(0.35)).powi(2);
    let alone = (0..BANDS).map(|b| 2.0 / values(b)).sum();
    (alone, 4.0 / values(BANDS - 1))
}

pub(super) fn mapped(plane: &Plane, f: impl Fn(f32) -> f32 + Sync) -> Plane {
    let values = plane.data().par_iter().map(|v| f(*v)).collect();
    Plane::from_vec(plane.width(), plane.height(), values)
}

fn combined(a: &Plane, b: &Plane, f: impl Fn(f32, f32) -> f32 + Sync) -> Plane {
    let values = a.data().par_iter().zip(b.data()).map(|(p, q)| f(*p, *q));
    Plane::from_vec(a.width(), a.height(), values.collect())
}

/// Variance of white noise of variance 1 between two Gaussians.
fn white(fine: f32, coarse: f32) -> f32 {
    let weights = |sigma: f32| if sigma > 0.0 { kernel(sigma) } else { vec![1.0] };
    let (p, q) = (weights(fine), weights(coarse));
    let product = |a: &[f32], b: &[f32]| {
        let inset = (b.len() - a.len()) / 2;
        let sum: f32 = a.iter().zip(&b[inset..]).map(|(x, y)| x * y).sum();
        sum * sum
    };
    product(&p, &p) - 2.0 * product(&p, &q) + product(&q, &q)
}

/// How the noise of a band is to what was told: demosaicing and resampling shift it between scales. From
/// the quietest twentieth of the blocks, which hold little else; within bounds, for where none is quiet.
/// `None` with too few blocks to tell.
fn noise_factor(band: &Plane, told: &Plane, white: f32) -> Option<f32> {
    const SIDE: usize = 24;
    const LEAST: usize = 40;
    const BOUNDS: (f32, f32) = (0.05, 2.0);
    let (columns, rows) = (band.width() / SIDE, band.height() / SIDE);
    let ratio = |k: usize| {
        let (x0, y0) = (k % columns * SIDE, k / columns * SIDE);
        let (mut square, mut noise) = (0.0, 0.0);
        for y in y0..y0 + SIDE {
            square += band.row(y)[x0..x0 + SIDE].iter().map(|v| v * v).sum::<f32>();
            noise += told.row(y)[x0..x0 + SIDE].iter().sum::<f32>();
        }
        square / (white * noise).max(f32::MIN_POSITIVE)
    };
    let mut ratios: Vec<f32> = (0..columns * rows).map(ratio).collect();
    ratios.sort_by(f32::total_cmp);
    (ratios.len() >= LEAST).then(|| ratios[ratios.len() / 20].clamp(BOUNDS.0, BOUNDS.1))
}
