//! Least squares over one camera's attitude and lens from stars whose directions are known.

use nalgebra::{Rotation3, SMatrix, SVector, Vector2, Vector3};
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
        let mut cost = self.cost(pairs, scale, prior);
        for _ in 0..12 {
            let Some(step) = self.step(pairs, scale, prior) else {
                break;
            };
            let better = (0..6)
                .map(|halvings| self.stepped(&(step * 0.5f64.powi(halvings))))
                .map(|next| (next.cost(pairs, scale, prior), next))
                .find(|(after, _)| *after < cost);
            let Some((after, next)) = better else { break };
            let settled = cost - after < 1e-8 * cost;
            (*self, cost) = (next, after);
            if settled {
                break;
            }
        }
        let mut squares: Vec<f64> = pairs
            .iter()
            .filter_map(|(d, p)| self.residual(d, *p))
            .map(|r| r.norm_squared())
            .collect();
        squares.sort_by(f64::total_cmp);
        squares
            .get(squares.len() / 2)
            .map_or(f64::INFINITY, |m| (m / 0.693).sqrt())
    }

    fn stepped(&self, step: &SVector<f64, UNKNOWNS>) -> Self {
        Self {
            attitude: Rotation3::new(Vector3::new(step[0], step[1], step[2])) * self.attitude,
            lens: lens_moved(&self.lens, &step.as_slice()[3..]),
        }
    }

    fn step(
        &self,
        pairs: &[(Vector3<f64>, [f64; 2])],
        scale: f64,
        prior: &LensPrior,
    ) -> Option<SVector<f64, UNKNOWNS>> {
        let mut normal = SMatrix::<f64, UNKNOWNS, UNKNOWNS>::zeros();
        let mut side = SVector::<f64, UNKNOWNS>::zeros();
        for (direction, pixel) in pairs {
            let v = self.attitude * direction;
            let Some(p) = self.lens.project(&v).map(Vector2::from) else {
                continue;
            };
            let (Some(turned), Some(bent)) = (by_direction(&self.lens, &v), by_lens(&self.lens, &v, p))
            else {
                continue;
            };
            let turned = -turned * v.cross_matrix();
            let r = Vector2::from(*pixel) - p;
            let weight = 1.0 / (scale * scale + r.norm_squared());
            for axis in 0..2 {
                let row = SVector::<f64, UNKNOWNS>::from_fn(|i, _| {
                    if i < 3 {
                        turned[(axis, i)]
                    } else {
                        bent[i - 3][axis]
                    }
                });
                normal += weight * row * row.transpose();
                side += weight * row * r[axis];
            }
        }
        for (i, (offset, sigma)) in prior.offsets(&self.lens).into_iter().enumerate() {
            normal[(3 + i, 3 + i)] += 1.0 / (sigma * sigma);
            side[3 + i] -= offset / (sigma * sigma);
        }
        normal.cholesky().map(|c| c.solve(&side))
    }
}
