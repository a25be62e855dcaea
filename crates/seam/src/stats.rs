//! The level of a sky with stars in it.

use nightloom_fit::median_and_sigma;

/// Mean of what is left after cutting stars off: median ± sigma clipped, three rounds.
///
/// Skewed rests are answered by 2.5·median − 1.5·mean (Bertin & Arnouts 1996, A&AS 117, 393).
pub(crate) fn sky_level(values: &mut Vec<f32>) -> f32 {
    let mut known = median_and_sigma(&mut values.clone());
    for _ in 0..3 {
        let Some((middle, sigma)) = known.filter(|k| k.1 > 0.0) else {
            break;
        };
        values.retain(|v| (-3.0..2.5).contains(&((v - middle) / sigma)));
        known = median_and_sigma(&mut values.clone());
    }
    let Some((middle, sigma)) = known else {
        return f32::NAN;
    };
    let mean = values.iter().map(|&v| f64::from(v)).sum::<f64>() as f32 / values.len() as f32;
    if (mean - middle).abs() < 0.3 * sigma {
        2.5 * middle - 1.5 * mean
    } else {
        middle
    }
}
