//! Refraction between the frames of a set.

use nalgebra::Vector3;
use nightloom_sky::{Air, Angle};

/// The air over a set of frames: what lifts each star by how much, frame by frame.
///
/// Directions are in the axes of the reference camera, as if there were no air.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct AirPath {
    /// The air.
    pub air: Air,
    /// Direction of the zenith at each frame's middle, in the reference camera's axes: the sky
    /// stays, the zenith moves.
    pub zeniths: Vec<Vector3<f64>>,
}

impl AirPath {
    /// A true direction lifted as it was in frame `frame`.
    pub fn lift(&self, frame: usize, direction: &Vector3<f64>) -> Vector3<f64> {
        let Some(zenith) = self.zeniths.get(frame) else {
            return *direction;
        };
        towards(direction, zenith, self.refraction(direction, zenith))
    }

    /// The true direction of what was seen in frame `frame`; the inverse of [`AirPath::lift`] to 1e-9 rad
    /// above the horizon.
    pub fn lower(&self, frame: usize, seen: &Vector3<f64>) -> Vector3<f64> {
        let Some(zenith) = self.zeniths.get(frame) else {
            return *seen;
        };
        let mut direction = *seen;
        for _ in 0..8 {
            direction = towards(seen, zenith, -self.refraction(&direction, zenith));
        }
        direction
    }

    fn refraction(&self, direction: &Vector3<f64>, zenith: &Vector3<f64>) -> f64 {
        let altitude = direction.dot(zenith).clamp(-1.0, 1.0).asin();
        self.air.refraction_at_true(Angle::from_rad(altitude)).rad()
    }
}

/// A unit vector turned by `angle` towards another.
fn towards(direction: &Vector3<f64>, goal: &Vector3<f64>, angle: f64) -> Vector3<f64> {
    let square = goal - direction * direction.dot(goal);
    let length = square.norm();
    if length < 1e-9 {
        return *direction;
    }
    direction * angle.cos() + square * (angle.sin() / length)
}
