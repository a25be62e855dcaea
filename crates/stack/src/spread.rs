//! Spread of a few values.

pub(crate) use nightloom_fit::{per_mean_mad as per_mean, per_median_mad as per_median};

/// Median and median absolute deviation; both buffers are overwritten and must be of one length.
pub(crate) fn mad(values: &mut [f32], scratch: &mut [f32]) -> (f32, f32) {
    let centre = sorted_median(values);
    for (s, v) in scratch.iter_mut().zip(values.iter()) {
        *s = (v - centre).abs();
    }
    (centre, sorted_median(scratch))
}

fn sorted_median(values: &mut [f32]) -> f32 {
    values.sort_unstable_by(f32::total_cmp);
    let n = values.len();
    if n == 0 {
        0.0
    } else {
        0.5 * (values[(n - 1) / 2] + values[n / 2])
    }
}
