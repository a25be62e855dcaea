//! Small robust statistics.

/// Standard deviation of normal values whose median absolute deviation is 1.
pub(crate) const MAD_TO_SIGMA: f32 = 1.4826;

/// The middle value (the upper one of two); NaN for none. Reorders `values`.
pub(crate) fn median(values: &mut [f32]) -> f32 {
    if values.is_empty() {
        return f32::NAN;
    }
    let middle = values.len() / 2;
    *values.select_nth_unstable_by(middle, f32::total_cmp).1
}

/// Median and the standard deviation told by the median absolute deviation. Reorders `values`.
pub(crate) fn middle_and_sigma(values: &mut [f32]) -> (f32, f32) {
    let middle = median(values);
    let mut away: Vec<f32> = values.iter().map(|v| (v - middle).abs()).collect();
    (middle, MAD_TO_SIGMA * median(&mut away))
}

/// Mean of what is left after cutting stars off: median ± sigma clipped, three rounds.
///
/// Skewed rests are answered by 2.5·median − 1.5·mean (Bertin & Arnouts 1996, A&AS 117, 393).
pub(crate) fn sky_level(values: &mut Vec<f32>) -> f32 {
    for _ in 0..3 {
        let (middle, sigma) = middle_and_sigma(values);
        if sigma <= 0.0 || sigma.is_nan() {
            return middle;
        }
        values.retain(|v| (-3.0..2.5).contains(&((v - middle) / sigma)));
    }
    let middle = median(values);
    let mean = values.iter().map(|&v| f64::from(v)).sum::<f64>() as f32 / values.len().max(1) as f32;
    let (_, sigma) = middle_and_sigma(values);
    if (mean - middle).abs() < 0.3 * sigma {
        2.5 * middle - 1.5 * mean
    } else {
        middle
    }
}
