//! Linear fits that outliers hardly touch: iteratively reweighted least squares.

use nalgebra::SVector;

use crate::normal::Normal;
use crate::quantile::median_of;
use crate::spread::{SIGMA_PER_MAD, median_and_sigma};

/// Where [`Loss::Biweight`] ends, in σ, for 95 % of least squares' efficiency on normal noise (Holland & Welsch 1977,
/// Comm. Statist. A6, 813).
pub const BIWEIGHT: f64 = 4.685;
/// The like constant of [`Loss::Cauchy`].
pub const CAUCHY: f64 = 2.385;

/// How the weight of a row falls with its misfit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Loss {
    /// 1 up to the reach, then reach over misfit (Huber 1964, Ann. Math. Statist. 35, 73).
    Huber,
    /// (1 − u²)² up to the reach, then 0 (Beaton & Tukey 1974, Technometrics 16, 147).
    Biweight,
    /// 1 / (1 + u²): falls without end.
    Cauchy,
}

impl Loss {
    /// Weight at u, the misfit over the reach; 1 at 0 and never negative.
    pub fn weight(self, u: f64) -> f64 {
        match self {
            Self::Huber => 1.0 / u.abs().max(1.0),
            Self::Biweight => (1.0 - u * u).max(0.0).powi(2),
            Self::Cauchy => 1.0 / (1.0 + u * u),
        }
    }
}

/// From what the reach is taken, by the last round's misfits.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Scale {
    /// It is known.
    Fixed(f64),
    /// So many σ, σ from the median of the misfits' sizes; σ is this at least.
    AboutZero(f64, f64),
    /// So many σ, σ from the median absolute deviation about the misfits' median, which one-sided outliers
    /// shift; σ is this at least.
    AboutMedian(f64, f64),
}

impl Scale {
    fn reach(self, misfits: &[f64]) -> f64 {
        match self {
            Self::Fixed(reach) => reach,
            Self::AboutZero(sigmas, least) => {
                let middle = median_of(misfits.iter().map(|m| m.abs()));
                sigmas * (SIGMA_PER_MAD * middle.unwrap_or(0.0)).max(least)
            }
            Self::AboutMedian(sigmas, least) => {
                let sigma = median_and_sigma(&mut misfits.to_vec()).map_or(0.0, |m| m.1);
                sigmas * sigma.max(least)
            }
        }
    }
}

/// One row: `terms` · x should be `value`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Row<const N: usize> {
    /// Factors of the unknowns.
    pub terms: SVector<f64, N>,
    /// What they should come to.
    pub value: f64,
    /// Of the row before it is weighed, 0 and more.
    pub weight: f64,
}

/// How a robust fit goes about it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Robust {
    /// How weights fall.
    pub loss: Loss,
    /// From which misfit on.
    pub scale: Scale,
    /// Rounds at most; a fit that no longer moves ends before. Reweighting converges linearly, and a dozen rounds
    /// bring four figures.
    pub rounds: usize,
}

/// Fits from `start`, or from all rows alike, with `prior` added to the equations of every round. `None` where the
/// rows that have weight do not hold all unknowns.
///
/// With [`Scale::AboutZero`] and rounds enough the coefficients are those of statsmodels' `RLM`
/// (`tests/all/robust.rs`: within 10⁻⁶ of them).
pub fn robust<const N: usize>(
    rows: &[Row<N>],
    prior: &Normal<N>,
    start: Option<SVector<f64, N>>,
    settings: &Robust,
) -> Option<SVector<f64, N>> {
    let mut at = start;
    for _ in 0..settings.rounds.max(1) {
        let mut normal = prior.clone();
        if let Some(at) = &at {
            let misfits: Vec<f64> = rows.iter().map(|r| r.value - r.terms.dot(at)).collect();
            let reach = settings.scale.reach(&misfits);
            for (row, misfit) in rows.iter().zip(&misfits) {
                let weight = row.weight * settings.loss.weight(misfit / reach);
                normal.add(row.terms, row.value, weight);
            }
        } else {
            rows.iter().for_each(|r| normal.add(r.terms, r.value, r.weight));
        }
        let next = normal.solve()?;
        let settled = at.is_some_and(|at| (next - at).amax() <= 1e-14 * next.amax());
        at = Some(next);
        if settled {
            break;
        }
    }
    at
}
