//! The rotation between two sets of directions.

use nalgebra::{Matrix3, Rotation3, Vector3};

/// The rotation R for which Σ w |b − R a|² over the triples (a, b, w) is least (Kabsch 1976, Acta Cryst. A32, 922;
/// 1978, A34, 827 for the sign); `None` of no triple that has weight or of a sum that is not finite.
///
/// Exact pairs are met within 10⁻¹² (`tests/all/rotation.rs`). Of a single pair, or of pairs on one line, the turn about
/// that line is arbitrary.
///
/// ```
/// use nalgebra::{Rotation3, Vector3};
///
/// let turn = Rotation3::from_euler_angles(0.3, -0.2, 1.0);
/// let pairs = [Vector3::x(), Vector3::y(), Vector3::z()].map(|a| (a, turn * a, 1.0));
/// let found = nightloom_fit::rotation_between(pairs).unwrap();
/// assert!((found.matrix() - turn.matrix()).norm() < 1e-12);
/// ```
pub fn rotation_between(
    pairs: impl IntoIterator<Item = (Vector3<f64>, Vector3<f64>, f64)>,
) -> Option<Rotation3<f64>> {
    let sum = pairs
        .into_iter()
        .fold(Matrix3::zeros(), |sum, (a, b, w)| sum + w * b * a.transpose());
    if !(sum.norm_squared() > 0.0 && sum.norm_squared().is_finite()) {
        return None;
    }
    let svd = sum.svd(true, true);
    let (u, v_t) = (svd.u?, svd.v_t?);
    // The least singular value takes the sign, or a reflection might come out.
    let sign = (u * v_t).determinant().signum();
    Some(Rotation3::from_matrix_unchecked(
        u * Matrix3::from_diagonal(&Vector3::new(1.0, 1.0, sign)) * v_t,
    ))
}
