//! A straight line through measured variances.

use super::line::{Line, LinePoint, fit};

/// Variance that rounding to whole numbers adds, in squared numbers (EMVA 1288 3.1, eq. 8). No frame of
/// whole numbers is expected to be quieter.
pub(super) const ROUNDING: f64 = 1.0 / 12.0;
/// Times that the line is fitted, the weights each time from the line before.
const ROUNDS: usize = 4;

/// A variance of so many samples at x.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct VariancePoint {
    pub(super) x: f64,
    pub(super) variance: f64,
    pub(super) samples: usize,
}

/// The line through variances, each of which scatters by 2σ⁴/(n−1). σ² is what the line says there, not
/// what was measured: that would favour patches that happen to be quiet, and of 256 samples each lower
/// the line by 1.6 %.
pub(super) fn variance_line(points: &[VariancePoint]) -> Option<Line> {
    let farthest = points.iter().map(|p| p.x).fold(0.0, f64::max);
    let mean = points.iter().map(|p| p.variance).sum::<f64>() / points.len().max(1) as f64;
    // The first weights are those of a variance in proportion to x.
    let first = |p: &VariancePoint| mean * (0.01 + p.x.max(0.0) / farthest.max(f64::MIN_POSITIVE));
    let mut expected: Vec<f64> = points.iter().map(first).collect();
    let mut line = None;
    for _ in 0..ROUNDS {
        let weighted: Vec<LinePoint> = points
            .iter()
            .zip(&expected)
            .filter(|(p, _)| p.samples > 1)
            .map(|(p, e)| LinePoint {
                x: p.x,
                y: p.variance,
                variance: 2.0 * e * e / (p.samples - 1) as f64,
            })
            .collect();
        let found = fit(&weighted)?;
        let least = ROUNDING.min(mean.max(f64::MIN_POSITIVE));
        expected = points.iter().map(|p| found.at(p.x).max(least)).collect();
        line = Some(found);
    }
    line
}
