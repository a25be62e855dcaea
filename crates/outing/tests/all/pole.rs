//! What the pole star is worth for a lens, and which way to turn, in words.

use nalgebra::Vector3;
use nightloom_optics::polar::AxisError;
use nightloom_optics::{Camera, Projection};
use nightloom_outing::axis::turn_words;
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

fn error(up: f64, east: f64) -> AxisError {
    AxisError {
        altitude: Angle::from_arcmin(up),
        azimuth: Angle::from_arcmin(east),
        total: Angle::from_arcmin(up.hypot(east)),
    }
}

#[test]
fn the_ways_are_right_in_both_hemispheres() {
    assert_eq!(
        turn_words(&error(-22.0, 9.0), true),
        "Raise the axis by 22′, turn it west (to your left as you face the pole) by 9.0′."
    );
    assert_eq!(
        turn_words(&error(22.0, -9.0), false),
        "Lower the axis by 22′, turn it east (to your left as you face the pole) by 9.0′."
    );
    assert_eq!(
        turn_words(&error(0.0, 150.0), false),
        "Turn it west (to your right as you face the pole) by 2.5°."
    );
    assert_eq!(turn_words(&error(0.01, 0.01), true), "Leave the axis as it is.");
}

/// The words obeyed by hands that know up, down, and the map's east and west: the error goes, in all four
/// quadrants and both hemispheres.
#[test]
fn obeying_brings_the_axis_to_the_pole() {
    let direction = |altitude: f64, x: f64, y_sign: f64| {
        let along = altitude.cos();
        Vector3::new(x, y_sign * (along * along - x * x).sqrt(), altitude.sin())
    };
    for (pole_altitude, y_sign) in [(46f64.to_radians(), 1.0), (33f64.to_radians(), -1.0)] {
        let pole = direction(pole_altitude, 0.0, y_sign);
        for (up, east) in [(22.0, 9.0), (-22.0, 9.0), (22.0, -9.0), (-22.0, -9.0)] {
            let rad = |arcmin: f64| Angle::from_arcmin(arcmin).rad();
            let axis = direction(pole_altitude + rad(up), rad(east), y_sign);
            let words = turn_words(&AxisError::of(&axis, &pole), y_sign > 0.0);
            let after = |key: &str| {
                let rest = words.split_once(key)?.1.split_once("by ")?.1;
                let digits: String = rest
                    .chars()
                    .take_while(|c| c.is_ascii_digit() || *c == '.')
                    .collect();
                digits.parse::<f64>().ok()
            };
            let raise = after("Raise").unwrap_or(0.0) - after("Lower").unwrap_or(0.0);
            let to_east = after("it east").unwrap_or(0.0) - after("it west").unwrap_or(0.0);
            let moved = direction(pole_altitude + rad(up + raise), rad(east + to_east), y_sign);
            let left = AxisError::of(&moved, &pole).total.arcmin();
            assert!(left < 0.8, "{up}, {east}: {words} leaves {left}′");
            // And left and right are the photographer's: facing north, west is left.
            assert_eq!(words.contains("left"), (to_east < 0.0) == (y_sign > 0.0));
        }
    }
}
