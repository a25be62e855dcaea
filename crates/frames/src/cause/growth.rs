//! How the stars' width changes over the frame: a quadratic surface.

use nalgebra::SVector;
use nightloom_fit::{Loss, Normal, Robust, Row, SIGMA_PER_MAD, Scale, median_of, quantile, robust};

use super::motion::Motion;
use super::sample::ShapeSample;
use nightloom_stars::Field;
use nightloom_stars::shape::FWHM_PER_SIGMA;

/// The width of the stars over the frame.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
pub struct Growth {
    /// Width at half maximum where it is least but for noise: the lowest tenth over the frame, pixels.
    pub least_px: f64,
    /// At the middle.
    pub middle_px: f64,
    /// Mean of the four corners over the middle.
    pub corners: f64,
    /// The worst corner over the best place.
    pub worst: f64,
    /// How far the growth is one-sided or along one line: 0 alike all round, 1 wholly.
    pub lopsided: f64,
    /// Direction of that growth, degrees from +x towards +y, −180 to 180.
    pub towards_deg: f64,
    /// Standard deviation of one star about the surface, as a part of the width.
    pub scatter: f64,
}

/// Fewer shapes say nothing of growth.
const LEAST: usize = 12;
const TERMS: usize = 6;

pub(super) fn fit(samples: &[ShapeSample], field: &Field, motion: &Motion) -> Growth {
    let widths: Vec<([f64; 2], f64)> = samples
        .iter()
        .map(|s| (s.place(field), width(s, motion)))
        .collect();
    let typical = median_of(widths.iter().map(|w| w.1)).unwrap_or(0.0);
    let even = Growth {
        least_px: typical,
        middle_px: typical,
        corners: 1.0,
        worst: 1.0,
        lopsided: 0.0,
        towards_deg: 0.0,
        scatter: 0.0,
    };
    if widths.len() < LEAST || typical <= 0.0 {
        return even;
    }
    surface(&widths, typical).map_or(even, |s| describe(&s, &widths, field, typical))
}

/// Width at half maximum with the fitted motion taken out.
fn width(s: &ShapeSample, motion: &Motion) -> f64 {
    let long = if motion.explained > 0.5 {
        // The motion accounts for the long axis; the short one is the lens's.
        s.across_px * s.across_px
    } else {
        s.along_px * s.along_px
    };
    FWHM_PER_SIGMA * (0.5 * (long + s.across_px * s.across_px)).sqrt()
}

fn terms([u, v]: [f64; 2]) -> SVector<f64, TERMS> {
    SVector::from([1.0, u, v, u * u, v * v, u * v])
}

/// Least squares with Cauchy weights on the squared widths, which add.
fn surface(widths: &[([f64; 2], f64)], typical: f64) -> Option<SVector<f64, TERMS>> {
    let row = |(p, w): &([f64; 2], f64)| Row {
        terms: terms(*p),
        value: w * w,
        weight: 1.0,
    };
    let rows: Vec<_> = widths.iter().map(row).collect();
    let prior = Normal::with_ridge([1e-9, 1e-3, 1e-3, 1e-3, 1e-3, 1e-3]);
    let settings = Robust {
        loss: Loss::Cauchy,
        scale: Scale::Fixed((0.3 * typical * typical).max(1e-9)),
        rounds: 12,
    };
    robust(&rows, &prior, None, &settings)
}

fn describe(s: &SVector<f64, TERMS>, widths: &[([f64; 2], f64)], field: &Field, typical: f64) -> Growth {
    let floor = 0.1 * typical * typical;
    let at = |p: [f64; 2]| s.dot(&terms(p)).max(floor).sqrt();
    let half = (field.width as f64).hypot(field.height as f64);
    let (cu, cv) = (0.9 * field.width as f64 / half, 0.9 * field.height as f64 / half);
    let covered = |p: &[f64; 2]| {
        widths
            .iter()
            .any(|(q, _)| (q[0] - p[0]).hypot(q[1] - p[1]) < 0.35)
    };
    let grid: Vec<[f64; 2]> = (0..9)
        .flat_map(|i| (0..9).map(move |j| [cu * (f64::from(i) / 4.0 - 1.0), cv * (f64::from(j) / 4.0 - 1.0)]))
        .filter(covered)
        .collect();
    let mut values: Vec<f64> = grid.iter().map(|p| at(*p)).collect();
    let least = quantile(&mut values, 0.1).unwrap_or(typical);
    let most = quantile(&mut values, 1.0).unwrap_or(typical);
    let corners: Vec<f64> = [[cu, cv], [-cu, cv], [cu, -cv], [-cu, -cv]]
        .into_iter()
        .filter(|p| covered(p))
        .map(at)
        .collect();
    let middle = at([0.0, 0.0]);
    let mean = corners.iter().sum::<f64>() / corners.len().max(1) as f64;
    let (lopsided, towards_deg) = lopsidedness(s);
    let scatter = median_of(widths.iter().map(|(p, w)| (w / at(*p) - 1.0).abs()));
    Growth {
        least_px: least,
        middle_px: middle,
        corners: if corners.is_empty() { 1.0 } else { mean / middle },
        worst: most / least.max(1e-9),
        lopsided,
        towards_deg,
        scatter: SIGMA_PER_MAD * scatter.unwrap_or(0.0),
    }
}

/// One-sided (linear) or along one line (one eigenvalue of the quadratic part) against all round.
fn lopsidedness(s: &SVector<f64, TERMS>) -> (f64, f64) {
    let (mean, half) = (
        0.5 * (s[3] + s[4]),
        (0.25 * (s[3] - s[4]).powi(2) + 0.25 * s[5] * s[5]).sqrt(),
    );
    let linear = s[1].hypot(s[2]);
    let round = (mean - half).max(0.0);
    let along = 2.0 * half;
    let towards = if linear > along {
        s[2].atan2(s[1])
    } else {
        0.5 * s[5].atan2(s[3] - s[4])
    };
    let uneven = linear.hypot(along);
    (uneven / (uneven + round).max(1e-9), towards.to_degrees())
}
