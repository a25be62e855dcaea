//! Zero point, colour term, extinction and fall-off by robust least squares.

use nalgebra::{SMatrix, SVector};
use nightloom_fit::{BIWEIGHT, Loss, Normal, median_and_sigma};

use super::sample::MeasuredStar;

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

    pub(super) fn residual(&self, sample: &MeasuredStar) -> f64 {
        left(sample) - row(sample, self.air_known).dot(&SVector::from(self.values))
    }
}

/// V + 2.5 log₁₀(F/t).
fn left(sample: &MeasuredStar) -> f64 {
    sample.v_mag - sample.seen_mag[0]
}

fn row(sample: &MeasuredStar, air_known: bool) -> SVector<f64, UNKNOWNS> {
    let h2 = sample.h * sample.h;
    let airmass = if air_known { sample.airmass } else { USUAL_AIRMASS };
    SVector::from([1.0, sample.b_v, -airmass, -h2, -h2 * h2])
}

/// Solves with the biweight about the median.
pub(super) fn fit(samples: &[MeasuredStar], air_known: bool) -> Fit {
    let mut zero: Vec<f64> = samples.iter().map(left).collect();
    let (middle, mut scatter) = median_and_sigma(&mut zero).unwrap_or((0.0, 0.0));
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
        let normal = equations(samples, &answer, scatter.max(0.01), &prior, round == 0);
        let (Some(values), Some(covariance)) = (normal.solve(), normal.covariance()) else {
            break;
        };
        (answer.values, answer.covariance) = (values.into(), covariance);
        let residuals = samples.iter().map(|s| answer.residual(s));
        scatter = median_and_sigma(&mut residuals.collect::<Vec<_>>()).map_or(0.0, |m| m.1);
        answer.scatter = scatter;
    }
    answer
}

fn equations(
    samples: &[MeasuredStar],
    last: &Fit,
    scatter: f64,
    prior: &[(f64, f64); UNKNOWNS],
    first: bool,
) -> Normal<UNKNOWNS> {
    let mut normal = Normal::new();
    for (i, (mean, spread)) in prior.iter().enumerate() {
        normal.expect(i, *mean, *spread);
    }
    for sample in samples {
        let sigma = sample.sigma.hypot(scatter);
        let off = last.residual(sample) / (BIWEIGHT * sigma);
        // The first look has no fall-off to go by yet and takes everything near.
        let weight = Loss::Biweight.weight(if first { off / 3.0 } else { off });
        normal.add(
            row(sample, last.air_known),
            left(sample),
            weight / (sigma * sigma),
        );
    }
    normal
}
