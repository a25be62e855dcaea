//! The median absolute deviation, and what makes a standard deviation of it.

use crate::quantile::{Real, known, median};

/// Standard deviation of a normal distribution over its median absolute deviation: 1 / Φ⁻¹(3/4).
pub const SIGMA_PER_MAD: f64 = 1.482_602_218_505_602;

/// σ over the *mean* of many median absolute deviations of n = 2, 3, … 32 normal values, by Monte
/// Carlo (tests/reference/mad_factors.py).
const PER_MEAN: [f32; 31] = [
    1.7727, 2.2051, 2.0173, 1.8035, 1.7628, 1.6878, 1.6717, 1.6329, 1.6242, 1.6014, 1.5962, 1.5812, 1.5776,
    1.5659, 1.5635, 1.5559, 1.5540, 1.5472, 1.5455, 1.5401, 1.5393, 1.5352, 1.5341, 1.5304, 1.5298, 1.5274,
    1.5257, 1.5234, 1.5232, 1.5209, 1.5205,
];

/// σ over the *median* of them, from the same script.
#[allow(
    clippy::approx_constant,
    reason = "a Monte Carlo value that only looks like π/2"
)]
const PER_MEDIAN: [f32; 31] = [
    2.0963, 2.7721, 2.2063, 1.9855, 1.8722, 1.7918, 1.7460, 1.7058, 1.6809, 1.6568, 1.6421, 1.6267, 1.6162,
    1.6035, 1.5960, 1.5885, 1.5825, 1.5757, 1.5708, 1.5652, 1.5617, 1.5580, 1.5550, 1.5515, 1.5486, 1.5460,
    1.5434, 1.5412, 1.5397, 1.5374, 1.5360,
];

/// Factor from the mean of the median absolute deviations of many sets of `n` normal values to σ; within 0.1 %.
/// 0 below 2 values, which have no spread.
pub fn per_mean_mad(n: usize) -> f32 {
    factor(&PER_MEAN, n)
}

/// Factor from the median of them to σ; within 0.1 %. 0 below 2 values.
pub fn per_median_mad(n: usize) -> f32 {
    factor(&PER_MEDIAN, n)
}

fn factor(table: &[f32; 31], n: usize) -> f32 {
    let normal = SIGMA_PER_MAD as f32;
    match n {
        0 | 1 => 0.0,
        2..=32 => table[n - 2],
        // Beyond the table the excess falls as 1/n.
        _ => normal + (table[30] - normal) * 32.0 / n as f32,
    }
}

/// Median and median absolute deviation of what is finite; `None` of nothing. The values are overwritten.
///
/// ```
/// assert_eq!(nightloom_fit::mad(&mut [1.0, 2.0, 4.0, 8.0, 16.0]), Some((4.0, 3.0)));
/// ```
pub fn mad<T: Real>(values: &mut [T]) -> Option<(T, T)> {
    let values = known(values);
    let middle = median(values)?;
    values.iter_mut().for_each(|v| *v = v.distance(middle));
    Some((middle, median(values)?))
}

/// Median and the standard deviation that the median absolute deviation tells of many normal values; `None` of
/// nothing. The values are overwritten.
pub fn median_and_sigma<T: Real>(values: &mut [T]) -> Option<(T, T)> {
    let (middle, mad) = mad(values)?;
    let none = mad.distance(mad);
    Some((middle, none.towards(mad, SIGMA_PER_MAD)))
}
