//! What turned between neighbouring frames, and which of these turns are about one axis.

use nalgebra::{Matrix3, Rotation3, Vector3};

use super::cameras::Cameras;
use super::turn::log;

/// Mounts bend and air wanders: no turn between frames is known better than this, arcseconds on one axis.
const FLOOR_ARCSEC: f64 = 1.0;
/// An axis further than this from the pole is no tracker's, degrees.
pub(super) const PLAUSIBLE_DEG: f64 = 25.0;
/// Standard deviations within which turns agree.
const AGREE: f64 = 5.0;
/// A turn less than so many standard deviations is none.
const SEEN: f64 = 6.0;

/// The turn between two frames, in the ground frame.
#[derive(Clone, Copy, Debug)]
pub(super) struct Pair {
    /// Rotation vector.
    pub(super) turn: Vector3<f64>,
    pub(super) covariance: Matrix3<f64>,
    /// Time between the middles of the exposures.
    pub(super) seconds: f64,
}

impl Pair {
    pub(super) fn between(cameras: &Cameras, seconds: &[f64], from: usize, to: usize) -> Self {
        let camera: &Rotation3<f64> = &cameras.rotations[from];
        let turn = log(&(camera.inverse() * cameras.rotations[to]));
        let block = |i: usize, j: usize| cameras.covariance.fixed_view::<3, 3>(3 * i, 3 * j).into_owned();
        // δ(C₁⁻¹ C₂) = C₁⁻¹ (δ₂ − δ₁) C₂, seen from the ground.
        let own = block(to, to) + block(from, from) - block(to, from) - block(from, to);
        let back = camera.inverse();
        let floor = (FLOOR_ARCSEC / 3600.0).to_radians().powi(2);
        Self {
            turn,
            covariance: back.matrix() * own * camera.matrix() + Matrix3::identity() * floor,
            seconds: seconds[to] - seconds[from],
        }
    }

    fn sigma(&self) -> f64 {
        (self.covariance.trace() / 3.0).sqrt()
    }

    /// Whether anything turned beyond the noise.
    pub(super) fn turned(&self) -> bool {
        self.turn.norm() > SEEN * self.sigma()
    }

    /// Whether the turn may be about an axis near the pole, its own error allowed for.
    pub(super) fn plausible(&self, pole: &Vector3<f64>) -> bool {
        let along = self.turn.dot(pole).abs();
        let across = (self.turn.norm_squared() - along * along).max(0.0).sqrt();
        let slack = AGREE * self.sigma();
        self.turned() && across - slack < PLAUSIBLE_DEG.to_radians().tan() * along
    }

    /// Squared distance of the turn from one about `axis` over its variance; the axis's own error is that
    /// of `other`, from whose turn it was taken.
    fn misfit(&self, axis: &Vector3<f64>, other: &Pair) -> f64 {
        let along = self.turn.dot(axis);
        let across = self.turn - axis * along;
        let lever = along / other.turn.norm().max(1e-12);
        let covariance = self.covariance + other.covariance * (lever * lever);
        // Along the axis nothing is held against the turn.
        let free = axis * axis.transpose() * (1e6 * covariance.trace());
        (covariance + free)
            .try_inverse()
            .map_or(f64::INFINITY, |inverse| across.dot(&(inverse * across)))
    }

    /// Whether two turns may be about one axis.
    pub(super) fn agrees(&self, other: &Pair) -> bool {
        let axis = other.turn.normalize();
        self.misfit(&axis, other) < AGREE * AGREE
    }
}

/// The largest set of pairs that turn about one axis, and that axis, towards the pole.
pub(super) fn consensus(
    pairs: &[Pair],
    among: &[usize],
    pole: &Vector3<f64>,
) -> Option<(Vec<usize>, Vector3<f64>)> {
    let plausible: Vec<usize> = among
        .iter()
        .copied()
        .filter(|&i| pairs[i].plausible(pole))
        .collect();
    let sets = plausible.iter().map(|&i| {
        let with: Vec<usize> = plausible
            .iter()
            .copied()
            .filter(|&j| j == i || pairs[j].agrees(&pairs[i]))
            .collect();
        (with, i)
    });
    // Of equally many, those that turned furthest, then the latest.
    let (set, best) = sets.max_by(|a, b| {
        let far = |s: &(Vec<usize>, usize)| pairs[s.1].turn.norm();
        a.0.len().cmp(&b.0.len()).then(far(a).total_cmp(&far(b)))
    })?;
    let axis = pairs[best].turn.normalize();
    Some((set, if axis.dot(pole) < 0.0 { -axis } else { axis }))
}
