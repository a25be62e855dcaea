//! A smooth surface through scattered values: a low polynomial fitted robustly.

use nalgebra::SVector;
use nightloom_fit::{BIWEIGHT, Loss, Normal, Robust, Row, Scale, median_of, robust};

const TERMS: usize = 10;

/// A cubic in two coordinates.
#[derive(Clone, Debug)]
pub(crate) struct Surface {
    weights: SVector<f64, TERMS>,
    low: f32,
    high: f32,
}

impl Surface {
    /// Fits (place, value) pairs; places in 0..1. Outliers are weighed down after Tukey (biweight,
    /// c = 4.685; Beaton & Tukey 1974). A little ridge keeps the far ends tame.
    pub(crate) fn fit(points: impl Iterator<Item = ([f32; 2], f32)>) -> Self {
        let points: Vec<([f32; 2], f32)> = points.filter(|p| p.1.is_finite()).collect();
        let mut fit = Self {
            weights: SVector::zeros(),
            low: f32::NEG_INFINITY,
            high: f32::INFINITY,
        };
        let Some(middle) = median_of(points.iter().map(|p| f64::from(p.1))) else {
            return fit;
        };
        let rows: Vec<Row<TERMS>> = points.iter().map(row).collect();
        let mut ridge = [1e-4 * points.len() as f64; TERMS];
        ridge[0] = 1e-9;
        let settings = Robust {
            loss: Loss::Biweight,
            scale: Scale::AboutMedian(BIWEIGHT, 1e-6),
            rounds: 8,
        };
        fit.weights[0] = middle;
        fit.weights = robust(&rows, &Normal::with_ridge(ridge), None, &settings).unwrap_or(fit.weights);
        let values: Vec<f32> = points.iter().map(|p| fit.at(p.0)).collect();
        let low = values.iter().copied().fold(f32::INFINITY, f32::min);
        let high = values.iter().copied().fold(f32::NEG_INFINITY, f32::max);
        let room = 0.25 * (high - low);
        (fit.low, fit.high) = (low - room, high + room);
        fit
    }

    /// Value at a place, held within the range seen where it was fitted (and a quarter beyond).
    pub(crate) fn at(&self, place: [f32; 2]) -> f32 {
        (terms(place).dot(&self.weights) as f32).clamp(self.low, self.high)
    }
}

fn row((place, value): &([f32; 2], f32)) -> Row<TERMS> {
    Row {
        terms: terms(*place),
        value: f64::from(*value),
        weight: 1.0,
    }
}

fn terms(place: [f32; 2]) -> SVector<f64, TERMS> {
    let (x, y) = (2.0 * f64::from(place[0]) - 1.0, 2.0 * f64::from(place[1]) - 1.0);
    SVector::from([
        1.0,
        x,
        y,
        x * x,
        x * y,
        y * y,
        x * x * x,
        x * x * y,
        x * y * y,
        y * y * y,
    ])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn finds_a_quadratic_under_outliers() {
        let truth = |p: [f32; 2]| 1.0 + 0.5 * p[0] - 0.8 * p[1] * p[1];
        let points = (0..400).map(|k| {
            let p = [(k % 20) as f32 / 20.0, (k / 20) as f32 / 20.0];
            (
                p,
                truth(p) + if k % 7 == 0 { 3.0 } else { 0.001 * (k % 5) as f32 },
            )
        });
        let fit = Surface::fit(points);
        for p in [[0.1, 0.1], [0.5, 0.5], [0.9, 0.3]] {
            assert!(
                (fit.at(p) - truth(p)).abs() < 0.01,
                "{p:?}: {} against {}",
                fit.at(p),
                truth(p)
            );
        }
    }
}
