//! The axis after the knobs were turned, from each single frame that follows.
//!
//! Where the axis lies in the *camera's* frame does not change while the camera stays put on the tracker,
//! however the tripod is turned and whatever the gear does: so once it is known, every further frame tells the
//! axis anew, to the accuracy of one frame.

use nalgebra::{Matrix2, Matrix2x3, Unit, UnitVector3};

use super::AxisMeasurement;
use super::turn::up_and_right;

/// The axis in frame `frame`, taken after the axis was adjusted with the camera left alone since frame
/// `before`: direction and covariance as in [`AxisMeasurement::covariance`].
///
/// Frames by their number among [`AxisMeasurement::cameras`]. `None` where there is no such frame.
pub fn axis_in_later_frame(
    measured: &AxisMeasurement,
    before: usize,
    frame: usize,
) -> Option<(UnitVector3<f64>, Matrix2<f64>)> {
    let (old, new) = (measured.cameras.get(before)?, measured.cameras.get(frame)?);
    let in_camera = old * measured.axis.into_inner();
    let axis = new.inverse() * in_camera;
    let basis = |a: &nalgebra::Vector3<f64>| {
        let [up, right] = up_and_right(a);
        Matrix2x3::from_rows(&[up.transpose(), right.transpose()])
    };
    let (old_basis, new_basis) = (basis(&measured.axis), basis(&axis));
    // What the axis was not known by is carried along with the camera.
    let carried = new_basis * new.inverse().matrix() * old.matrix() * old_basis.transpose();
    let block = |i: usize, j: usize| {
        measured
            .camera_covariance
            .fixed_view::<3, 3>(3 * i, 3 * j)
            .into_owned()
    };
    let both = block(frame, frame) + block(before, before) - block(frame, before) - block(before, frame);
    let lever = new_basis * new.inverse().matrix() * in_camera.cross_matrix();
    let covariance = carried * measured.covariance * carried.transpose() + lever * both * lever.transpose();
    Some((Unit::new_normalize(axis), covariance))
}
