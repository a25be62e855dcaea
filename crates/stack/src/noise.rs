//! Robust levels and the noise of a picture's background.

use nightloom_raster::Plane;

pub use nightloom_fit::median as median_of;
pub(crate) use nightloom_fit::median_and_sigma;
use nightloom_fit::{SIGMA_PER_MAD, median};

/// Pixels between the two of a pair whose difference is taken: far enough that neither
/// resampling nor demosaicing correlates them.
const LAG: usize = 8;
/// At most so many pairs are looked at.
const PAIRS: usize = 400_000;

/// Standard deviation of the noise of single pixels, from the median absolute difference of pixels
/// eight apart, over √2: smooth gradients and stars hardly touch it. Pixels where `valid` says
/// false are left out. 0 when nothing is valid.
pub fn background_noise(plane: &Plane, valid: impl Fn(usize, usize) -> bool) -> f32 {
    let (w, h) = (plane.width(), plane.height());
    if w <= LAG {
        return 0.0;
    }
    let stride = (w * h / PAIRS).max(1);
    let differences = (0..(w - LAG) * h).step_by(stride | 1).filter_map(|k| {
        let (x, y) = (k % (w - LAG), k / (w - LAG));
        let usable = valid(x, y) && valid(x + LAG, y);
        usable.then(|| (plane.at(x, y) - plane.at(x + LAG, y)).abs())
    });
    let mut differences: Vec<f32> = differences.collect();
    median(&mut differences).unwrap_or(0.0) * SIGMA_PER_MAD as f32 / std::f32::consts::SQRT_2
}
