//! The words for moving the axis, obeyed by hands that know up, down, and the map.

use nalgebra::Vector3;
use nightloom_frames::axis::turn_words;
use nightloom_optics::polar::AxisError;
use nightloom_sky::Angle;

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
