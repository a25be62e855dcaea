//! Whether a picture's numbers are proportional to light.

use super::sample::MeasuredStar;
use super::solve::Fit;
use nightloom_fit::median_and_sigma;

/// Slope that saturation's onset and crowding may leave behind in linear data, magnitudes a magnitude.
const HARMLESS: f64 = 0.05;

/// How the residual grows with magnitude, and the standard deviation of that: robust least squares.
///
/// The catalogue's magnitude is on the x axis: it is nearly free of error, so that the faint stars' noise
/// does not bend the line.
pub(super) fn slope(samples: &[MeasuredStar], fit: &Fit) -> [f64; 2] {
    let points: Vec<(f64, f64)> = samples.iter().map(|s| (s.v_mag, -fit.residual(s))).collect();
    let mut left: Vec<f64> = points.iter().map(|p| p.1).collect();
    let scatter = median_and_sigma(&mut left).map_or(0.0, |m| m.1);
    let reach = 4.0 * scatter.max(0.02) + 0.3;
    let kept = || points.iter().filter(|p| p.1.abs() < reach);
    let n = kept().count() as f64;
    let mean = |value: fn(&(f64, f64)) -> f64| kept().map(value).sum::<f64>() / n.max(1.0);
    let (mx, my) = (mean(|p| p.0), mean(|p| p.1));
    let xx: f64 = kept().map(|p| (p.0 - mx).powi(2)).sum();
    let xy: f64 = kept().map(|p| (p.0 - mx) * (p.1 - my)).sum();
    if n < 5.0 || xx < 0.5 {
        return [0.0, f64::INFINITY];
    }
    let slope = xy / xx;
    let rest: f64 = kept().map(|p| (p.1 - my - slope * (p.0 - mx)).powi(2)).sum();
    [slope, (rest / (n - 2.0) / xx).sqrt()]
}

/// Whether the slope is both large and sure.
pub(super) fn is_bent([slope, sigma]: [f64; 2]) -> bool {
    slope.abs() > HARMLESS && slope.abs() > 4.0 * sigma
}
