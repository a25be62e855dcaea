//! Zero point, colour term, extinction and fall-off by robust least squares.

use nalgebra::{SMatrix, SVector};

use super::sample::Sample;

/// Z, c, k, a, b of the module's equation.
pub(super) const UNKNOWNS: usize = 5;
/// Extinction where the stars do not tell: V magnitudes per airmass, and its spread between a dry
/// mountain (0.11) and a hazy lowland (0.35); common practice, no source.
const USUAL_EXTINCTION: [f64; 2] = [0.20, 0.08];
/// Airmass that is taken for a frame of unknown place or time.
const USUAL_AIRMASS: f64 = 1.4;
/// Spread of extinction times airmass there, magnitudes.
const UNKNOWN_LOSS_MAG: f64 = 0.15;
/// Part of the assumed spread below which the frame itself has told the extinction.
const TOLD: f64 = 0.6;
/// Beaton & Tukey's (1974) biweight leaves out beyond this many σ.
const BIWEIGHT: f64 = 4.685;
const ROUNDS: usize = 12;

/// The answer.
#[derive(Clone, Debug)]
pub(super) struct Fit {
    pub(super) values: [f64; UNKNOWNS],
    pub(super) covariance: SMatrix<f64, UNKNOWNS, UNKNOWNS>,
    /// Robust scatter of a star, magnitudes.
    pub(super) scatter: f64,
    air_known: bool,
}

impl Fit {
    /// Whether the frame itself told the extinction.
    pub(super) fn extinction_seen(&self) -> bool {
        self.air_known && self.covariance[(2, 2)].sqrt() < TOLD * USUAL_EXTINCTION[1]
    }

    /// Standard deviation of a sum of the unknowns.
    pub(super) fn sigma_of(&self, weights: &SVector<f64, UNKNOWNS>) -> f64 {
        (weights.transpose() * self.covariance * weights)[0]
            .max(0.0)
            .sqrt()
    }

    /// The zero point at a distance `h` from the axis, above the air, for a light of `b_v`.
    pub(super) fn zero_at(&self, h: f64, b_v: f64) -> f64 {
        let row = SVector::from([1.0, b_v, 0.0, -h * h, -h.powi(4)]);
        row.dot(&SVector::from(self.values))
    }

    pub(super) fn residual(&self, sample: &Sample) -> f64 {
        left(sample) - row(sample, self.air_known).dot(&SVector::from(self.values))
    }
}

/// V + 2.5 log₁₀(F/t).
fn left(sample: &Sample) -> f64 {
    sample.v_mag - sample.seen_mag[0]
}

fn row(sample: &Sample, air_known: bool) -> SVector<f64, UNKNOWNS> {
    let h2 = sample.h * sample.h;
    let airmass = if air_known { sample.airmass } else { USUAL_AIRMASS };
    SVector::from([1.0, sample.b_v, -airmass, -h2, -h2 * h2])
}

/// Solves with the biweight about the median.
pub(super) fn fit(samples: &[Sample], air_known: bool) -> Fit {
    let mut zero: Vec<f64> = samples.iter().map(left).collect();
    let (middle, mut scatter) = median_and_scatter(&mut zero);
    let usual = USUAL_EXTINCTION;
    let k_sigma = if air_known {
        usual[1]
    } else {
        UNKNOWN_LOSS_MAG / USUAL_AIRMASS
    };
    // Mean and spread of what is thought beforehand; a lens's corner is half a magnitude darker or so.
    let prior = [
        (middle, 5.0),
        (0.0, 0.4),
        (usual[0], k_sigma),
        (0.4, 0.8),
        (0.1, 0.8),
    ];
    let mut answer = Fit {
        values: prior.map(|p| p.0),
        covariance: SMatrix::identity(),
        scatter,
        air_known,
    };
    for round in 0..ROUNDS {
        let (normal, side) = equations(samples, &answer, scatter.max(0.01), &prior, round == 0);
        let Some(inverse) = normal.try_inverse() else {
            break;
        };
        answer.values = (inverse * side).into();
        answer.covariance = inverse;
        let mut residuals: Vec<f64> = samples.iter().map(|s| answer.residual(s)).collect();
        scatter = median_and_scatter(&mut residuals).1;
        answer.scatter = scatter;
    }
    answer
}

type Equations = (SMatrix<f64, UNKNOWNS, UNKNOWNS>, SVector<f64, UNKNOWNS>);

fn equations(
    samples: &[Sample],
    last: &Fit,
    scatter: f64,
    prior: &[(f64, f64); UNKNOWNS],
    first: bool,
) -> Equations {
    let mut normal = SMatrix::zeros();
    let mut side = SVector::zeros();
    for (i, (mean, spread)) in prior.iter().enumerate() {
        normal[(i, i)] += spread.powi(-2);
        side[i] += mean * spread.powi(-2);
    }
    for sample in samples {
        let sigma = sample.sigma.hypot(scatter);
        let off = last.residual(sample) / (BIWEIGHT * sigma);
        // The first look has no fall-off to go by yet and takes everything near.
        let reach = if first { off / 3.0 } else { off };
        let weight = if reach.abs() < 1.0 {
            (1.0 - reach * reach).powi(2)
        } else {
            0.0
        };
        let weight = weight / (sigma * sigma);
        let row = row(sample, last.air_known);
        normal += weight * row * row.transpose();
        side += weight * row * left(sample);
    }
    (normal, side)
}

/// Sorts; the median, and 1.4826 times the median distance from it.
pub(crate) fn median_and_scatter(values: &mut [f64]) -> (f64, f64) {
    if values.is_empty() {
        return (0.0, 0.0);
    }
    values.sort_by(f64::total_cmp);
    let middle = values[values.len() / 2];
    let mut off: Vec<f64> = values.iter().map(|v| (v - middle).abs()).collect();
    off.sort_by(f64::total_cmp);
    (middle, 1.4826 * off[off.len() / 2])
}
