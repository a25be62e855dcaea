//! Least squares over one camera's attitude and lens from stars whose directions are known.

use nalgebra::{Rotation3, SVector, Vector2, Vector3};
use nightloom_fit::{Damping, Normal, Problem, descend, median_of};
use nightloom_optics::Lens;

use crate::bundle::{LENS, LensPrior, by_direction, by_lens, lens_moved};

const UNKNOWNS: usize = 3 + LENS;

/// A camera under known stars.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Pose {
    pub(crate) attitude: Rotation3<f64>,
    pub(crate) lens: Lens,
}

impl Pose {
    fn residual(&self, direction: &Vector3<f64>, pixel: [f64; 2]) -> Option<Vector2<f64>> {
        self.lens
            .project(&(self.attitude * direction))
            .map(|p| Vector2::from(pixel) - Vector2::from(p))
    }

    fn cost(&self, pairs: &[(Vector3<f64>, [f64; 2])], scale: f64, prior: &LensPrior) -> f64 {
        let stars: f64 = pairs
            .iter()
            .map(|(d, p)| {
                self.residual(d, *p)
                    .map_or(10.0, |r| (1.0 + r.norm_squared() / (scale * scale)).ln())
            })
            .sum();
        stars + prior.cost(&self.lens)
    }

    /// Fits attitude and lens with Cauchy weights of `scale` pixels; returns the median distance
    /// as an rms, pixels.
    pub(crate) fn fit(&mut self, pairs: &[(Vector3<f64>, [f64; 2])], scale: f64, prior: &LensPrior) -> f64 {
        let settings = Damping {
            rounds: 12,
            settled: 1e-8,
            ..GAUSS
        };
        *self = descend(&Sky { pairs, scale, prior }, *self, &settings).at;
        let squares = pairs
            .iter()
            .filter_map(|(d, p)| self.residual(d, *p))
            .map(|r| r.norm_squared());
        rms_of_median(median_of(squares))
    }

    fn stepped(&self, step: &SVector<f64, UNKNOWNS>) -> Self {
        Self {
            attitude: Rotation3::new(Vector3::new(step[0], step[1], step[2])) * self.attitude,
            lens: lens_moved(&self.lens, &step.as_slice()[3..]),
        }
    }
}

/// Gauss's steps, damped where they do not help.
pub(crate) const GAUSS: Damping = Damping {
    start: 1e-9,
    fall: 0.0,
    least: 1e-9,
    rise: 1e3,
    most: 1e6,
    rounds: 10,
    settled: 1e-8,
};

/// The root mean square on both axes that goes with a median squared distance: of two-axis Gaussian residuals that
/// median is 1.386 σ² of one axis, 0.693 of both.
pub(crate) fn rms_of_median(median: Option<f64>) -> f64 {
    median.map_or(f64::INFINITY, |m| (m / 0.693).sqrt())
}

/// Known stars with their pixels, and what is thought of the lens.
struct Sky<'a> {
    pairs: &'a [(Vector3<f64>, [f64; 2])],
    scale: f64,
    prior: &'a LensPrior,
}

impl Problem for Sky<'_> {
    type Point = Pose;
    type Local = Normal<UNKNOWNS>;

    fn local(&self, at: &Pose) -> Option<(Normal<UNKNOWNS>, f64)> {
        let mut normal = Normal::new();
        for (direction, pixel) in self.pairs {
            let v = at.attitude * direction;
            let Some(p) = at.lens.project(&v).map(Vector2::from) else {
                continue;
            };
            let (Some(turned), Some(bent)) = (by_direction(&at.lens, &v), by_lens(&at.lens, &v, p)) else {
                continue;
            };
            let turned = -turned * v.cross_matrix();
            let r = Vector2::from(*pixel) - p;
            let weight = 1.0 / (self.scale * self.scale + r.norm_squared());
            for axis in 0..2 {
                let row = SVector::<f64, UNKNOWNS>::from_fn(|i, _| {
                    if i < 3 {
                        turned[(axis, i)]
                    } else {
                        bent[i - 3][axis]
                    }
                });
                normal.add(row, r[axis], weight);
            }
        }
        for (i, (offset, sigma)) in self.prior.offsets(&at.lens).into_iter().enumerate() {
            normal.expect(3 + i, -offset, sigma);
        }
        let cost = self.cost(&normal, at);
        Some((normal, cost))
    }

    fn step(&self, at: &Pose, local: &Normal<UNKNOWNS>, damping: f64) -> Option<Pose> {
        Some(at.stepped(&local.damped(damping).solve()?))
    }

    fn cost(&self, _: &Normal<UNKNOWNS>, at: &Pose) -> f64 {
        at.cost(self.pairs, self.scale, self.prior)
    }
}
