//! A mixture of normal distributions (expectation–maximisation).

use nalgebra::{SMatrix, SVector};

/// The mixture, in `D` dimensions.
pub(crate) struct Mixture<const D: usize> {
    parts: Vec<Part<D>>,
}

struct Part<const D: usize> {
    share: f64,
    mean: SVector<f64, D>,
    inverse: SMatrix<f64, D, D>,
    log_norm: f64,
}

/// Samples that tell a mixture well enough.
const SAMPLES: usize = 4000;
/// Share of a flat background of outliers: density of one in a box of side 6.
const OUTLIER_LOG_DENSITY: f64 = -12.0;

impl<const D: usize> Mixture<D> {
    /// Fits `count` parts, no dimension better known than `least`; starts from slices along the brightest-to-darkest
    /// order, so always the same.
    pub(crate) fn fit(samples: &[[f32; D]], count: usize, least: [f64; D]) -> Self {
        let step = (samples.len() / SAMPLES).max(1);
        let samples: Vec<SVector<f64, D>> = samples
            .iter()
            .step_by(step)
            .map(|s| SVector::from(s.map(f64::from)))
            .collect();
        let mut order: Vec<usize> = (0..samples.len()).collect();
        order.sort_by(|&a, &b| samples[a][1].total_cmp(&samples[b][1]).then(a.cmp(&b)));
        let mut duty = vec![vec![0.0; samples.len()]; count];
        for (rank, &i) in order.iter().enumerate() {
            duty[rank * count / samples.len()][i] = 1.0;
        }
        let mut mixture = Self {
            parts: maximise(&samples, &duty, least),
        };
        for _ in 0..8 {
            mixture.expect(&samples, &mut duty);
            mixture.parts = maximise(&samples, &duty, least);
        }
        mixture
    }

    fn expect(&self, samples: &[SVector<f64, D>], duty: &mut [Vec<f64>]) {
        for (i, s) in samples.iter().enumerate() {
            let logs: Vec<f64> = self
                .parts
                .iter()
                .map(|p| p.share.ln() + p.log_density(s))
                .collect();
            let top = logs.iter().copied().fold(OUTLIER_LOG_DENSITY, f64::max);
            let total: f64 =
                logs.iter().map(|l| (l - top).exp()).sum::<f64>() + (OUTLIER_LOG_DENSITY - top).exp();
            for (k, l) in logs.iter().enumerate() {
                duty[k][i] = (l - top).exp() / total;
            }
        }
    }

    /// Natural logarithm of the density at a sample.
    pub(crate) fn log_density(&self, sample: [f32; D]) -> f32 {
        let s = SVector::from(sample.map(f64::from));
        let logs = self.parts.iter().map(|p| p.share.ln() + p.log_density(&s));
        let logs: Vec<f64> = logs.chain([OUTLIER_LOG_DENSITY]).collect();
        let top = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        (top + logs.iter().map(|l| (l - top).exp()).sum::<f64>().ln()) as f32
    }
}

impl<const D: usize> Part<D> {
    fn log_density(&self, s: &SVector<f64, D>) -> f64 {
        let d = s - self.mean;
        self.log_norm - 0.5 * (d.transpose() * self.inverse * d)[0]
    }
}

fn maximise<const D: usize>(samples: &[SVector<f64, D>], duty: &[Vec<f64>], least: [f64; D]) -> Vec<Part<D>> {
    let floor = SMatrix::from_diagonal(&SVector::from(least.map(|v| v * v)));
    let total = samples.len().max(1) as f64;
    let mut parts = Vec::new();
    for duty in duty {
        let weight: f64 = duty.iter().sum();
        if weight < 4.0 {
            continue;
        }
        let mean = samples
            .iter()
            .zip(duty)
            .fold(SVector::<f64, D>::zeros(), |m, (s, w)| m + s * *w)
            / weight;
        let spread = samples
            .iter()
            .zip(duty)
            .fold(SMatrix::<f64, D, D>::zeros(), |m, (s, w)| {
                let d = s - mean;
                m + d * d.transpose() * *w
            });
        let covariance = spread / weight + floor;
        if let Some(factor) = covariance.cholesky() {
            let log_det = 2.0 * factor.l().diagonal().iter().map(|v| v.ln()).sum::<f64>();
            let log_norm = -0.5 * log_det - 0.5 * D as f64 * (2.0 * std::f64::consts::PI).ln();
            parts.push(Part {
                share: weight / total,
                mean,
                inverse: factor.inverse(),
                log_norm,
            });
        }
    }
    parts
}
