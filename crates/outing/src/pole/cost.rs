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

#[cfg(test)]
mod tests {
    use super::*;
    use nightloom_optics::Projection;

    fn camera(focal_mm: f64, pitch_um: f64) -> Camera {
        Camera::new(Projection::Rectilinear, focal_mm, pitch_um, [36.0, 24.0]).expect("a camera")
    }

    /// Straight at Polaris in 2026 (37.7′), 4 min, computed apart: 0.45 px at 14 mm on 5.95 µm, 0.77 at 24 mm,
    /// 1.6 at 35 mm on 4.3 µm, 3.8 at 85 mm.
    #[test]
    fn straight_at_the_pole_star() {
        for (focal, pitch, px, near) in [
            (14.0, 5.95, 0.45, 0.02),
            (24.0, 5.95, 0.77, 0.02),
            (35.0, 4.3, 1.6, 0.07),
            (85.0, 4.3, 3.8, 0.1),
        ] {
            let found = drift_px(&camera(focal, pitch), Angle::from_arcmin(37.7), 240.0);
            assert!((found - px).abs() < near, "{focal} mm: {found}");
        }
    }

    /// Error for 1 px in 4 min, computed apart: 83′ and 49′ at 14 and 24 mm on 5.95 µm; 24′, 17′, 9.9′ at 35, 50
    /// and 85 mm on 4.3 µm.
    #[test]
    fn what_is_needed() {
        for (focal, pitch, arcmin) in [
            (14.0, 5.95, 83.0),
            (24.0, 5.95, 49.0),
            (35.0, 4.3, 24.0),
            (50.0, 4.3, 17.0),
            (85.0, 4.3, 9.9),
        ] {
            let found = allowed_error(&camera(focal, pitch), 240.0, 1.0).arcmin();
            assert!((found / arcmin - 1.0).abs() < 0.025, "{focal} mm: {found}");
        }
    }
}
