//! Rotations as vectors: axis times angle.

use nalgebra::{Matrix3, Rotation3, Vector3};

/// The rotation vector of a rotation, 0 to π long.
pub(super) fn log(rotation: &Rotation3<f64>) -> Vector3<f64> {
    let r = rotation.matrix();
    let odd = Vector3::new(
        r[(2, 1)] - r[(1, 2)],
        r[(0, 2)] - r[(2, 0)],
        r[(1, 0)] - r[(0, 1)],
    );
    let (sin, cos) = (0.5 * odd.norm(), 0.5 * (r.trace() - 1.0));
    let angle = sin.atan2(cos);
    if sin > 1e-9 {
        odd * (0.5 * angle / sin)
    } else if cos > 0.0 {
        odd * 0.5
    } else {
        rotation.scaled_axis()
    }
}

/// How the rotation exp(v + dv) follows dv: exp(v + dv) = exp(v) · exp(J dv).
///
/// The right Jacobian of the rotation group (Chirikjian 2012, eq. 10.86, from memory; held to differences
/// by a test).
pub(super) fn right_jacobian(v: &Vector3<f64>) -> Matrix3<f64> {
    let (angle, cross) = (v.norm(), v.cross_matrix());
    let (a, b) = if angle < 1e-4 {
        (0.5 - angle * angle / 24.0, 1.0 / 6.0 - angle * angle / 120.0)
    } else {
        let square = angle * angle;
        (
            (1.0 - angle.cos()) / square,
            (angle - angle.sin()) / (square * angle),
        )
    };
    Matrix3::identity() - cross * a + cross * cross * b
}

/// Two unit vectors square to `axis`: towards the zenith as far as can be, and to its right as one looks
/// along the axis; east stands in for what has no up.
pub(super) fn up_and_right(axis: &Vector3<f64>) -> [Vector3<f64>; 2] {
    let right = axis.cross(&Vector3::z());
    let right = if right.norm() > 1e-9 {
        right.normalize()
    } else {
        Vector3::x()
    };
    [right.cross(axis), right]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_jacobian_is_the_difference() {
        for v in [Vector3::new(0.3, -0.9, 1.1), Vector3::new(1e-5, 2e-5, -1e-5)] {
            let jacobian = right_jacobian(&v);
            for k in 0..3 {
                let mut step = Vector3::zeros();
                step[k] = 1e-6;
                let moved = Rotation3::new(v).inverse() * Rotation3::new(v + step);
                assert!((log(&moved) / 1e-6 - jacobian.column(k)).norm() < 1e-5);
            }
        }
    }

    #[test]
    fn vectors_come_back() {
        for v in [
            Vector3::new(0.5, 0.1, -2.0),
            Vector3::new(1e-8, 0.0, 2e-8),
            Vector3::zeros(),
        ] {
            assert!((log(&Rotation3::new(v)) - v).norm() < 1e-12);
        }
    }

    #[test]
    fn up_is_up_and_right_is_right() {
        // Facing north: right is east. Facing south: right is west.
        let [up, right] = up_and_right(&Vector3::new(0.0, 0.6, 0.8));
        assert!(up.z > 0.0 && (right - Vector3::x()).norm() < 1e-12);
        let [up, right] = up_and_right(&Vector3::new(0.0, -0.6, 0.8));
        assert!(up.z > 0.0 && (right + Vector3::x()).norm() < 1e-12);
    }
}
