//! The axis against the pole.

use nalgebra::Vector3;
use nightloom_sky::Angle;

/// How far an axis is off the pole.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AxisError {
    /// Axis too high: positive.
    pub altitude: Angle,
    /// Axis east of the pole: positive. Along the sky: the difference in azimuth times the cosine of the pole's
    /// altitude.
    pub azimuth: Angle,
    /// From the pole to the axis.
    pub total: Angle,
}

impl AxisError {
    /// An axis against the pole above the horizon, both in the ground frame.
    pub fn of(axis: &Vector3<f64>, pole: &Vector3<f64>) -> Self {
        let altitude = |d: &Vector3<f64>| d.z.atan2(d.x.hypot(d.y));
        let azimuth = |d: &Vector3<f64>| d.x.atan2(d.y);
        let clockwise = Angle::from_rad(azimuth(axis) - azimuth(pole)).wrapped_180();
        // Facing north, clockwise seen from above is east; facing south it is west.
        let east = if pole.y < 0.0 { -clockwise } else { clockwise };
        Self {
            altitude: Angle::from_rad(altitude(axis) - altitude(pole)),
            azimuth: east * altitude(pole).cos(),
            total: Angle::from_rad(axis.cross(pole).norm().atan2(axis.dot(pole))),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn direction(altitude_deg: f64, azimuth_deg: f64) -> Vector3<f64> {
        let (alt, az) = (altitude_deg.to_radians(), azimuth_deg.to_radians());
        Vector3::new(alt.cos() * az.sin(), alt.cos() * az.cos(), alt.sin())
    }

    #[test]
    fn four_sides_of_both_poles() {
        for (azimuth, east) in [(0.0, 1.0), (180.0, -1.0)] {
            let pole = direction(40.0, azimuth);
            let high = AxisError::of(&direction(40.5, azimuth), &pole);
            assert!((high.altitude.arcmin() - 30.0).abs() < 1e-9 && high.azimuth.arcmin().abs() < 1e-9);
            let clockwise = AxisError::of(&direction(40.0, azimuth + 0.5), &pole);
            let expected = 30.0 * 40f64.to_radians().cos() * east;
            assert!(
                (clockwise.azimuth.arcmin() - expected).abs() < 1e-9,
                "{clockwise:?}"
            );
            assert!((clockwise.total.arcmin() - expected.abs()).abs() < 1e-3);
            // What lies to the east has a positive x.
            assert!(clockwise.azimuth.rad() * direction(40.0, azimuth + 0.5).x > 0.0);
        }
    }
}
