//! The full width at half maximum that a frame's stars really have, over that of their fits.
//!
//! A Gaussian fitted to a star with broad wings is wider than the star at half its height. The
//! sure stars of a frame, each scaled by its fit, lie on one profile; where that falls to half,
//! tells by how much.

use nightloom_fit::Normal;
use nightloom_raster::Plane;

use crate::fit::{FitSettings, Model, samples};
use crate::shape::Moments;
use crate::spot::Spot;

/// Signal over noise of stars that make the profile.
const PROFILE_SNR: f32 = 40.0;
/// Stars taken at most, and at least.
const STARS: std::ops::RangeInclusive<usize> = 5..=200;
/// Standard deviations of the fit out to which the profile is drawn.
const OUT_TO: f64 = 2.0;
/// √(2 ln 2): a Gaussian's half width at half maximum.
const GAUSS_HALF: f64 = 1.177_410_023;

/// True full width at half maximum over the fits' own; 1 where too few stars tell.
pub(crate) fn width_factor(image: &Plane, spots: &[Spot], typical: Moments) -> f64 {
    let (long, short, _) = typical.axes();
    let alike = |m: &Moments| {
        let (l, s, _) = m.axes();
        l < 1.5 * long && s < 1.5 * short && l > 0.6 * long && s > 0.6 * short
    };
    let mut sure: Vec<&Spot> = spots
        .iter()
        .filter(|s| s.is_sure() && s.snr > PROFILE_SNR && alike(&s.model.shape))
        .collect();
    sure.sort_by(|a, b| b.snr.total_cmp(&a.snr).then(a.model.y.total_cmp(&b.model.y)));
    sure.truncate(*STARS.end());
    if sure.len() < *STARS.start() {
        return 1.0;
    }
    half_radius(image, &sure).map_or(1.0, |half| (half / GAUSS_HALF).clamp(0.8, 1.15))
}

/// Where the common profile falls to half: ln p = a₀ + a₁q² + a₂q⁴ + a₃q⁶ by least squares.
fn half_radius(image: &Plane, sure: &[&Spot]) -> Option<f64> {
    let mut normal = Normal::<4>::new();
    for spot in sure {
        each_sample(image, spot, |q2, part| {
            // The error of a logarithm goes with one over the value.
            normal.add([1.0, q2, q2 * q2, q2 * q2 * q2], part.ln(), part * part);
        });
    }
    let a = normal.solve()?;
    let fall = |q: f64| {
        let q2 = q * q;
        q2 * (a[1] + q2 * (a[2] + q2 * a[3]))
    };
    let (mut low, mut high) = (0.0, OUT_TO);
    if fall(high) > -std::f64::consts::LN_2 {
        return None;
    }
    for _ in 0..40 {
        let middle = 0.5 * (low + high);
        if fall(middle) > -std::f64::consts::LN_2 {
            low = middle;
        } else {
            high = middle;
        }
    }
    Some(low)
}

fn each_sample(image: &Plane, spot: &Spot, mut visit: impl FnMut(f64, f64)) {
    let settings = FitSettings {
        free_shape: true,
        saturation: f32::INFINITY,
        widest: f64::INFINITY,
        neighbours: &[],
    };
    let model: &Model = &spot.model;
    let Some(inverse) = model.shape.inverse() else {
        return;
    };
    for s in samples(image, &spot.sky, model, &settings) {
        let q2 = inverse.times(s.x - model.x, s.y - model.y);
        let part = s.light / model.height;
        if q2 < OUT_TO * OUT_TO && part > 0.02 {
            visit(q2, part);
        }
    }
}
