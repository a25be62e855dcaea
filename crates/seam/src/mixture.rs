//! A mixture of normal distributions in four dimensions (expectation–maximisation).

use nalgebra::{Matrix4, Vector4};

/// The mixture.
pub(crate) struct Mixture {
    parts: Vec<Part>,
}

struct Part {
    share: f64,
    mean: Vector4<f64>,
    inverse: Matrix4<f64>,
    log_norm: f64,
}

/// No dimension is ever known better than this (natural logarithms of colour).
const LEAST_SIGMA: f64 = 0.03;
/// Share of a flat background of outliers: density of one in a box of side 6.
const OUTLIER_LOG_DENSITY: f64 = -12.0;

impl Mixture {
    /// Fits `count` parts; starts from slices along the brightest-to-darkest order, so always the same.
    pub(crate) fn fit(samples: &[[f32; 4]], count: usize) -> Self {
        let step = (samples.len() / 8000).max(1);
        let samples: Vec<Vector4<f64>> = samples
            .iter()
            .step_by(step)
            .map(|s| Vector4::from(s.map(f64::from)))
            .collect();
        let mut order: Vec<usize> = (0..samples.len()).collect();
        order.sort_by(|&a, &b| samples[a][1].total_cmp(&samples[b][1]).then(a.cmp(&b)));
        let mut duty = vec![vec![0.0; samples.len()]; count];
        for (rank, &i) in order.iter().enumerate() {
            duty[rank * count / samples.len()][i] = 1.0;
        }
        let mut mixture = Self {
            parts: maximise(&samples, &duty),
        };
        for _ in 0..8 {
            mixture.expect(&samples, &mut duty);
            mixture.parts = maximise(&samples, &duty);
        }
        mixture
    }

    fn expect(&self, samples: &[Vector4<f64>], duty: &mut [Vec<f64>]) {
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
    pub(crate) fn log_density(&self, sample: [f32; 4]) -> f32 {
        let s = Vector4::from(sample.map(f64::from));
        let logs = self.parts.iter().map(|p| p.share.ln() + p.log_density(&s));
        let logs: Vec<f64> = logs.chain([OUTLIER_LOG_DENSITY]).collect();
        let top = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        (top + logs.iter().map(|l| (l - top).exp()).sum::<f64>().ln()) as f32
    }
}

impl Part {
    fn log_density(&self, s: &Vector4<f64>) -> f64 {
        let d = s - self.mean;
        self.log_norm - 0.5 * (d.transpose() * self.inverse * d)[0]
    }
}

fn maximise(samples: &[Vector4<f64>], duty: &[Vec<f64>]) -> Vec<Part> {
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
            .fold(Vector4::zeros(), |m, (s, w)| m + s * *w)
            / weight;
        let spread = samples.iter().zip(duty).fold(Matrix4::zeros(), |m, (s, w)| {
            let d = s - mean;
            m + d * d.transpose() * *w
        });
        let covariance = spread / weight + Matrix4::identity() * LEAST_SIGMA.powi(2);
        if let Some(factor) = covariance.cholesky() {
            let log_det = 2.0 * factor.l().diagonal().iter().map(|v| v.ln()).sum::<f64>();
            let log_norm = -0.5 * log_det - 2.0 * (2.0 * std::f64::consts::PI).ln();
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
