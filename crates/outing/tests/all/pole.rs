//! What the pole star is worth for a lens, and which way to turn, in words.

use nightloom_optics::{Camera, Projection};
use nightloom_outing::pole::{allowed_error, clock_words, drift_px};
use nightloom_sky::Angle;

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

#[test]
fn the_clock_in_words() {
    assert_eq!(clock_words(0.0), "straight up");
    assert_eq!(clock_words(92.0), "right");
    assert_eq!(clock_words(225.0), "down and left");
    assert_eq!(clock_words(359.0), "straight up");
}
