//! Which way a camera looks.

use nalgebra::{Matrix3, Rotation3, Vector3};

/// The rotation from celestial (ICRS) unit vectors to the camera frame (x right, y down, z forward).
pub type Attitude = Rotation3<f64>;

/// Nearer to the zenith or nadir than this, sine of the distance, "level" says nothing.
const AT_THE_ZENITH: f64 = 1e-9;

/// The rotation from the ground frame (x east, y north, z up) to that of a level camera looking along
/// `forward`: what is up is up in the picture.
///
/// At the zenith and nadir themselves, where no direction is up, right in the picture is east.
pub fn level(forward: &Vector3<f64>) -> Rotation3<f64> {
    let ahead = forward.normalize();
    let side = ahead.cross(&Vector3::z());
    let right = if side.norm() > AT_THE_ZENITH {
        side.normalize()
    } else {
        Vector3::x()
    };
    let down = ahead.cross(&right).normalize();
    let right = down.cross(&ahead);
    Rotation3::from_matrix_unchecked(Matrix3::from_rows(&[
        right.transpose(),
        down.transpose(),
        ahead.transpose(),
    ]))
}
