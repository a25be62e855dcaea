//! Robust levels and the noise of a picture's background.

use nightloom_raster::Plane;

/// Standard deviation of a normal distribution over its median absolute deviation.
pub(crate) const SIGMA_PER_MAD: f32 = 1.482_602_2;
/// Pixels between the two of a pair whose difference is taken: far enough that neither
/// resampling nor demosaicing correlates them.
const LAG: usize = 8;
/// At most so many pairs are looked at.
const PAIRS: usize = 400_000;

/// The median, NaN left out; of an even number the mean of the middle two. `None` of nothing.
/// The values are reordered.
pub fn median_of(values: &mut Vec<f32>) -> Option<f32> {
    values.retain(|v| v.is_finite());
    let n = values.len();
    if n == 0 {
        return None;
    }
    let (low, mid, _) = values.select_nth_unstable_by(n / 2, f32::total_cmp);
    let upper = *mid;
    if n % 2 == 1 {
        return Some(upper);
    }
    let lower = low.iter().copied().max_by(f32::total_cmp).unwrap_or(upper);
    Some(0.5 * (lower + upper))
}

/// Median and σ from the median absolute deviation.
pub(crate) fn median_and_sigma(values: &mut Vec<f32>) -> Option<(f32, f32)> {
    let median = median_of(values)?;
    values.iter_mut().for_each(|v| *v = (*v - median).abs());
    Some((median, SIGMA_PER_MAD * median_of(values)?))
}

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
    median_of(&mut differences).unwrap_or(0.0) * SIGMA_PER_MAD / std::f32::consts::SQRT_2
}
