//! The gear's periodic error from a sequence of frames.
//!
//! To the angles about the axis a sine is fitted along with rate and offset, over a ladder of periods (the
//! least-squares periodogram with floating mean and trend; Zechmeister & Kürster 2009, A&A 496, 577), and the
//! best period is refined.

use std::f64::consts::{PI, TAU};

use nalgebra::SVector;
use nightloom_fit::Normal;

/// A·sin(2πt/P + φ), the axis ahead of its mean rate.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
pub struct PeriodicFit {
    /// A, half of peak to peak, arcseconds, and its standard deviation.
    pub amplitude_arcsec: f64,
    /// Standard deviation.
    pub amplitude_sigma_arcsec: f64,
    /// P, seconds.
    pub period_s: f64,
    /// Standard deviation.
    pub period_sigma_s: f64,
    /// φ at the middle of the first frame, degrees, 0 to 360.
    pub phase_deg: f64,
    /// Standard deviation.
    pub phase_sigma_deg: f64,
    /// What is left over, arcseconds.
    pub rms_arcsec: f64,
    /// Mean rate with the sine taken out, units of the run's angle a second.
    #[serde(skip)]
    pub(super) rate: f64,
}

/// Fewest frames: five figures are fitted.
const FEWEST: usize = 8;
/// Steps of frequency per 1/span.
const FINE: f64 = 12.0;
/// What the sine must take from the sum of squares by F-test, with the number of periods tried.
const FALSE_ALARM: f64 = 1e-3;

/// Fits a run (seconds, radians; in order of time) of frames `exposure_s` long; `None` where no sine is surer than
/// chance or the run does not hold one whole period.
pub fn periodic(run: &[(f64, f64)], exposure_s: f64) -> Option<PeriodicFit> {
    if run.len() < FEWEST {
        return None;
    }
    let start = run[0].0;
    let points: Vec<(f64, f64)> = run.iter().map(|p| (p.0 - start, p.1)).collect();
    let span = points[points.len() - 1].0;
    if !(span > 0.0 && points.iter().all(|p| p.1.is_finite())) {
        return None;
    }
    let step = span / (points.len() - 1) as f64;
    let (slowest, fastest) = (1.0 / span, 0.5 / step);
    let count = ((fastest - slowest) * span * FINE).ceil() as usize;
    let frequency = |n: usize| slowest + (fastest - slowest) * n as f64 / count.max(1) as f64;
    let best = (0..=count)
        .map(|n| (sum_of_squares(&points, frequency(n)), frequency(n)))
        .min_by(|a, b| a.0.total_cmp(&b.0))?;
    let frequency = refine(&points, best.1, 1.0 / (span * FINE));
    let (left, coefficients) = line_and_sine(&points, frequency)?;
    let flat = line(&points);
    let over = points.len().saturating_sub(5) as f64;
    // Three figures more against the line: F at so small a chance, roughly, with the trials counted in.
    let f = (flat - left) / 3.0 / (left / over).max(1e-30);
    let trials = (count as f64 / FINE).max(1.0);
    (chance_of(f, over) * trials < FALSE_ALARM)
        .then(|| told(&points, frequency, &coefficients, left, exposure_s))?
}

/// Chance of an F with 3 and ν degrees at least so large, by (1 + 3F/ν)^(−ν/2) (exact for 2 degrees; an upper
/// bound's order for 3).
fn chance_of(f: f64, freedom: f64) -> f64 {
    (1.0 + 3.0 * f / freedom).powf(-0.5 * freedom)
}

fn refine(points: &[(f64, f64)], start: f64, reach: f64) -> f64 {
    const GOLDEN: f64 = 0.618_033_988_749_895;
    let (mut low, mut high) = ((start - reach).max(0.3 * start), start + reach);
    for _ in 0..60 {
        let (a, b) = (high - GOLDEN * (high - low), low + GOLDEN * (high - low));
        if sum_of_squares(points, a) < sum_of_squares(points, b) {
            high = b;
        } else {
            low = a;
        }
    }
    0.5 * (low + high)
}

fn row(t: f64, frequency: f64) -> SVector<f64, 4> {
    let turn = TAU * frequency * t;
    SVector::from([1.0, t, turn.sin(), turn.cos()])
}

/// Sum of squares left, and offset, slope, sine, cosine.
fn line_and_sine(points: &[(f64, f64)], frequency: f64) -> Option<(f64, SVector<f64, 4>)> {
    let mut normal = Normal::new();
    for &(t, angle) in points {
        normal.add(row(t, frequency), angle, 1.0);
    }
    let fit = normal.solve()?;
    let left = points
        .iter()
        .map(|&(t, angle)| (angle - row(t, frequency).dot(&fit)).powi(2))
        .sum();
    Some((left, fit))
}

fn sum_of_squares(points: &[(f64, f64)], frequency: f64) -> f64 {
    line_and_sine(points, frequency).map_or(f64::INFINITY, |f| f.0)
}

/// Sum of squares left by a line alone.
fn line(points: &[(f64, f64)]) -> f64 {
    let n = points.len() as f64;
    let (mt, ma) = (
        points.iter().map(|p| p.0).sum::<f64>() / n,
        points.iter().map(|p| p.1).sum::<f64>() / n,
    );
    let lever: f64 = points.iter().map(|p| (p.0 - mt).powi(2)).sum();
    let slope = points.iter().map(|p| (p.0 - mt) * (p.1 - ma)).sum::<f64>() / lever;
    points
        .iter()
        .map(|p| (p.1 - ma - slope * (p.0 - mt)).powi(2))
        .sum()
}

/// Errors from the covariance of all five figures, and the exposure's own averaging taken out.
fn told(
    points: &[(f64, f64)],
    frequency: f64,
    fit: &SVector<f64, 4>,
    left: f64,
    exposure_s: f64,
) -> Option<PeriodicFit> {
    let (amplitude, phase) = (fit[2].hypot(fit[3]), fit[3].atan2(fit[2]));
    let mut normal = Normal::<5>::new();
    for &(t, _) in points {
        let (s, c) = (TAU * frequency * t + phase).sin_cos();
        normal.add([1.0, t, s, amplitude * c, amplitude * c * TAU * t], 0.0, 1.0);
    }
    let variance = left / points.len().saturating_sub(5).max(1) as f64;
    let covariance = normal.covariance()? * variance;
    let sigma = |k: usize| covariance[(k, k)].sqrt();
    // A frame shows the mean over its exposure.
    let half = PI * exposure_s * frequency;
    let kept = if half > 1e-6 { half.sin() / half } else { 1.0 };
    let arcsec = |rad: f64| rad.to_degrees() * 3600.0;
    (kept > 0.1).then(|| PeriodicFit {
        amplitude_arcsec: arcsec(amplitude / kept),
        amplitude_sigma_arcsec: arcsec(sigma(2) / kept),
        period_s: 1.0 / frequency,
        period_sigma_s: sigma(4) / (frequency * frequency),
        phase_deg: phase.to_degrees().rem_euclid(360.0),
        phase_sigma_deg: sigma(3).to_degrees(),
        rms_arcsec: arcsec((left / points.len() as f64).sqrt()),
        rate: fit[1],
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use nightloom_fit::Random;

    fn sequence(amplitude_arcsec: f64, period_s: f64, exposure_s: f64, noise_arcsec: f64) -> Vec<(f64, f64)> {
        let arcsec = |v: f64| (v / 3600.0).to_radians();
        let mut random = Random::new(12_345);
        (0..20)
            .map(|n| {
                let t = 94.0 * f64::from(n);
                // The mean of the sine over the exposure, in closed form.
                let at = |t: f64| (TAU * t / period_s + 1.0).cos();
                let mean =
                    (at(t - 0.5 * exposure_s) - at(t + 0.5 * exposure_s)) * period_s / (TAU * exposure_s);
                (
                    t + 500.0,
                    7.3e-5 * t + arcsec(amplitude_arcsec * mean + noise_arcsec * random.normal()),
                )
            })
            .collect()
    }

    #[test]
    fn a_sine_is_found_and_measured() {
        let found = periodic(&sequence(20.0, 480.0, 90.0, 1.5), 90.0).expect("a sine");
        assert!(
            (found.amplitude_arcsec - 20.0).abs() < 3.0 * found.amplitude_sigma_arcsec,
            "{found:?}"
        );
        assert!(
            (found.period_s - 480.0).abs() < 3.0 * found.period_sigma_s,
            "{found:?}"
        );
        assert!(
            (found.phase_deg - 57.3).abs() < 3.0 * found.phase_sigma_deg,
            "{found:?}"
        );
        assert!(
            found.amplitude_sigma_arcsec < 1.5 && found.period_sigma_s < 12.0,
            "{found:?}"
        );
    }

    #[test]
    fn noise_is_no_gear() {
        assert!(periodic(&sequence(0.0, 480.0, 90.0, 2.0), 90.0).is_none());
        assert!(periodic(&sequence(20.0, 480.0, 90.0, 1.0)[..6], 90.0).is_none());
    }
}
