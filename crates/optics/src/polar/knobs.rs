//! The knobs of a base, level or tilted.
//!
//! A base has two movements: the azimuth turns all above it about the base's own upright, the altitude tips the
//! axis towards that upright or away. On a level base they are altitude and azimuth; on a tilted one each moves
//! a little of the other, which costs nothing but another turn.

use nalgebra::{Rotation3, Unit, Vector3};
use nightloom_sky::Angle;

/// What the tracker stands on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Base {
    up: Unit<Vector3<f64>>,
}

/// How far both movements are to turn.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct KnobTurns {
    /// Raise: positive.
    pub altitude: Angle,
    /// About the base's upright, clockwise as seen from above: positive. Not shortened by any cosine.
    pub azimuth: Angle,
}

/// An axis nearer to the upright than this has no azimuth, sine of the distance.
const UPRIGHT: f64 = 1e-6;

impl Base {
    /// A level base.
    pub fn level() -> Self {
        Self {
            up: Vector3::z_axis(),
        }
    }

    /// A base whose upright leans by `tilt` towards `azimuth`.
    pub fn leaning(tilt: Angle, azimuth: Angle) -> Self {
        let lean = Vector3::new(azimuth.sin(), azimuth.cos(), 0.0) * tilt.sin();
        Self {
            up: Unit::new_normalize(lean + Vector3::z() * tilt.cos()),
        }
    }

    /// The movements that bring `axis` to `goal`. Exact, in either order.
    pub fn turns(&self, axis: &Vector3<f64>, goal: &Vector3<f64>) -> KnobTurns {
        let height = |d: &Vector3<f64>| d.dot(&self.up).atan2(d.cross(&self.up).norm());
        let level = |d: &Vector3<f64>| d - self.up.into_inner() * d.dot(&self.up);
        let (from, to) = (level(axis), level(goal));
        let azimuth = if from.norm() < UPRIGHT || to.norm() < UPRIGHT {
            0.0
        } else {
            -from.cross(&to).dot(&self.up).atan2(from.dot(&to))
        };
        KnobTurns {
            altitude: Angle::from_rad(height(goal) - height(axis)),
            azimuth: Angle::from_rad(azimuth),
        }
    }

    /// The turn of everything on the base: first the altitude of `axis`, then the azimuth.
    pub fn moved(&self, axis: &Vector3<f64>, turns: &KnobTurns) -> Rotation3<f64> {
        self.in_azimuth(turns) * self.in_altitude(axis, turns)
    }

    /// The altitude's turn alone.
    pub fn in_altitude(&self, axis: &Vector3<f64>, turns: &KnobTurns) -> Rotation3<f64> {
        let hinge = axis.cross(&self.up);
        if hinge.norm() < UPRIGHT {
            return Rotation3::identity();
        }
        Rotation3::from_axis_angle(&Unit::new_normalize(hinge), turns.altitude.rad())
    }

    /// The azimuth's turn alone.
    pub fn in_azimuth(&self, turns: &KnobTurns) -> Rotation3<f64> {
        Rotation3::from_axis_angle(&self.up, -turns.azimuth.rad())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::polar::AxisError;

    fn direction(altitude_deg: f64, azimuth_deg: f64) -> Vector3<f64> {
        let (alt, az) = (altitude_deg.to_radians(), azimuth_deg.to_radians());
        Vector3::new(alt.cos() * az.sin(), alt.cos() * az.cos(), alt.sin())
    }

    /// In all quadrants, both hemispheres, on level and tilted bases: the movements bring the axis to the pole.
    #[test]
    fn the_turns_lead_to_the_pole() {
        for (altitude, azimuth) in [(50.0, 0.0), (35.0, 180.0), (4.0, 0.0), (80.0, 180.0)] {
            let pole = direction(altitude, azimuth);
            for (up, right) in [(0.4, 0.7), (0.4, -0.7), (-0.4, 0.7), (-0.4, -0.7), (2.0, -3.0)] {
                let axis = direction(altitude + up, azimuth + right);
                for (tilt, towards) in [(0.0, 0.0), (3.0, 90.0), (7.0, 215.0)] {
                    let base = Base::leaning(Angle::from_deg(tilt), Angle::from_deg(towards));
                    let turns = base.turns(&axis, &pole);
                    let after = base.moved(&axis, &turns) * axis;
                    assert!(AxisError::of(&after, &pole).total.arcsec() < 1e-6);
                }
                // On a level base they are altitude and azimuth themselves.
                let turns = Base::level().turns(&axis, &pole);
                assert!((turns.altitude.deg() + up).abs() < 1e-9);
                assert!((turns.azimuth.deg() + right).abs() < 1e-9);
            }
        }
    }

    /// A level base's turns applied on a tilted one leave a share of the error: the tilt's sine, about.
    #[test]
    fn a_tilt_mixes_the_knobs_and_a_second_round_ends_it() {
        let pole = direction(45.0, 0.0);
        let mut axis = direction(46.0, 1.5);
        let base = Base::leaning(Angle::from_deg(4.0), Angle::from_deg(60.0));
        let mut errors = vec![AxisError::of(&axis, &pole).total.arcmin()];
        for _ in 0..3 {
            let turns = Base::level().turns(&axis, &pole);
            axis = base.moved(&axis, &turns) * axis;
            errors.push(AxisError::of(&axis, &pole).total.arcmin());
        }
        assert!(errors.windows(2).all(|e| e[1] < 0.15 * e[0]), "{errors:?}");
        assert!(errors[3] < 0.1, "{errors:?}");
    }
}
