//! What an axis error costs in pixels, before any frame.

use nightloom_optics::{Camera, FieldError};
use nightloom_sky::Angle;

use super::{PoleCost, RATE};

/// Drift in the middle of the picture within an exposure: 2ωt·sin(ε/2) in the worst place of the sky, on the
/// scale of the lens's middle.
pub fn drift_px(camera: &Camera, error: Angle, seconds: f64) -> f64 {
    let turn = Angle::from_arcsec(RATE * seconds).rad();
    2.0 * (error * 0.5).sin() * turn * camera.lens.focal_px
}

/// The error that makes a drift of so many pixels; 180° where none does.
pub fn allowed_error(camera: &Camera, seconds: f64, tolerance_px: f64) -> Angle {
    let turn = Angle::from_arcsec(RATE * seconds).rad();
    let half = tolerance_px / (2.0 * turn * camera.lens.focal_px);
    Angle::from_rad(2.0 * half.min(1.0).asin())
}

pub(super) fn cost(
    camera: &Camera,
    seconds: f64,
    tolerance_px: f64,
    separation: Angle,
) -> Result<PoleCost, FieldError> {
    for (field, got, example) in [
        ("the exposure in seconds", seconds, "120"),
        ("the tolerance in pixels", tolerance_px, "1"),
    ] {
        if !(got.is_finite() && got > 0.0) {
            return Err(FieldError {
                field,
                expected: "above 0",
                example,
                got,
            });
        }
    }
    let straight_px = drift_px(camera, separation, seconds);
    Ok(PoleCost {
        exposure_s: seconds,
        straight_px,
        needed_arcmin: allowed_error(camera, seconds, tolerance_px).arcmin(),
        straight_is_enough: straight_px <= tolerance_px,
    })
}
