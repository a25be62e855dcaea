//! What the sky's smooth light is made of, where the caller knows it: airglow by altitude, a town's light, the Milky Way. A sum
//! of such lights goes on behind the land as they do, where a polynomial would only guess.

use nalgebra::{DMatrix, DVector};
use nightloom_fit::{Loss, median_and_sigma, non_negative};
use nightloom_raster::Plane;
use rayon::prelude::*;

use crate::resample;

/// Places along the long side at which lights are worked out; straight between them.
const ALONG: usize = 96;
/// So many cells tell the shares of all lights.
const ENOUGH: usize = 6000;
/// Cells for each light, at least.
const EACH: usize = 4;
/// Rounds of weighing down what no sum of lights follows.
const ROUNDS: usize = 4;
/// What departs by more than so many sigmas counts less: a glow at the horizon is bright and few cells show it, so nothing is
/// left out.
const REACH: f64 = 3.0;

/// Lights over a picture, each 0 or more everywhere.
#[derive(Clone, Debug, PartialEq)]
pub struct Lights {
    terms: Vec<Plane>,
    /// Pixels between places.
    step: usize,
}

impl Lights {
    /// Works lights out over a picture of `width` × `height`: `at([x, y])` gives as many values at each pixel. `None` where it
    /// gives none somewhere, or not as many.
    pub fn of(width: usize, height: usize, at: impl Fn([f64; 2]) -> Option<Vec<f64>> + Sync) -> Option<Self> {
        let step = width.max(height).div_ceil(ALONG).max(1);
        let (columns, rows) = (width.div_ceil(step), height.div_ceil(step));
        let middle = |k: usize| (k as f64 + 0.5) * step as f64 - 0.5;
        let values: Option<Vec<Vec<f64>>> = (0..columns * rows)
            .into_par_iter()
            .map(|k| at([middle(k % columns), middle(k / columns)]))
            .collect();
        let values = values?;
        let count = values.first()?.len();
        if values
            .iter()
            .any(|v| v.len() != count || v.iter().any(|v| !v.is_finite()))
        {
            return None;
        }
        let term = |i: usize| Plane::from_vec(columns, rows, values.iter().map(|v| v[i] as f32).collect());
        Some(Self {
            terms: (0..count).map(term).collect(),
            step,
        })
    }

    pub(crate) fn from_parts(terms: Vec<Plane>, step: usize) -> Option<Self> {
        let first = terms.first()?;
        let alike = |t: &Plane| (t.width(), t.height()) == (first.width(), first.height());
        (step > 0 && first.width() > 0 && first.height() > 0 && terms.iter().all(alike))
            .then_some(Self { terms, step })
    }

    pub(crate) fn parts(&self) -> (&[Plane], usize) {
        (&self.terms, self.step)
    }

    /// All values, for telling whether two are the same.
    pub fn bytes(&self) -> Vec<u8> {
        let values = self.terms.iter().flat_map(|t| t.data());
        values.flat_map(|v| v.to_le_bytes()).collect()
    }

    fn at(&self, [x, y]: [f32; 2]) -> impl Iterator<Item = f64> + '_ {
        self.terms
            .iter()
            .map(move |t| f64::from(resample::sample_cells(t, self.step, x, y)))
    }

    /// The sum of lights nearest to levels at pixels, none of their shares below 0; what is far off it, brighter or darker,
    /// counts less (Huber 1964). `None` where there are too few levels.
    pub(crate) fn fit(&self, levels: &[([f32; 2], f32)]) -> Option<Sum<'_>> {
        if levels.len() < EACH * self.terms.len() {
            return None;
        }
        let by = levels.len().div_ceil(ENOUGH);
        let told: Vec<&([f32; 2], f32)> = levels.iter().step_by(by).collect();
        let rows: Vec<f64> = told.iter().flat_map(|t| self.at(t.0)).collect();
        let design = DMatrix::from_row_slice(told.len(), self.terms.len(), &rows);
        let values = DVector::from_iterator(told.len(), told.iter().map(|t| f64::from(t.1)));
        let mut shares = non_negative(&design, &values, None);
        for _ in 0..ROUNDS {
            let residual = &values - &design * &shares;
            let (_, sigma) = median_and_sigma(&mut residual.iter().copied().collect::<Vec<f64>>())?;
            if sigma <= 0.0 {
                break;
            }
            let weights = residual.map(|r| Loss::Huber.weight(r / (REACH * sigma)));
            shares = non_negative(&design, &values, Some(&weights));
        }
        Some(Sum { lights: self, shares })
    }
}

/// Lights with their shares.
pub(crate) struct Sum<'a> {
    lights: &'a Lights,
    shares: DVector<f64>,
}

impl Sum<'_> {
    /// At a pixel.
    pub(crate) fn at(&self, pixel: [f32; 2]) -> f32 {
        let parts = self.lights.at(pixel).zip(self.shares.iter());
        parts.map(|(light, share)| light * share).sum::<f64>() as f32
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_glow_seen_from_above_goes_on_below() {
        // Two lights: one even, one that grows downwards; the lower third is hidden, and clouds lie over a part.
        let glow = |y: f64| (-(600.0 - y) / 120.0).exp();
        let lights = Lights::of(900, 600, |[_, y]| Some(vec![1.0, glow(y), glow(0.5 * y)])).expect("lights");
        let truth = |y: f64| 0.01 + 0.05 * glow(y);
        let mut levels = Vec::new();
        for y in (8..400).step_by(16) {
            for x in (8..900).step_by(16) {
                let cloud = if x < 200 && y < 150 { 0.01 } else { 0.0 };
                levels.push(([x as f32, y as f32], truth(f64::from(y)) as f32 + cloud));
            }
        }
        let sum = lights.fit(&levels).expect("enough levels");
        for y in [200.0, 450.0, 580.0] {
            let (found, wanted) = (f64::from(sum.at([700.0, y as f32])), truth(y));
            assert!(
                (found / wanted - 1.0).abs() < 0.02,
                "row {y}: {found} for {wanted}"
            );
        }
        assert!(lights.fit(&levels[..11]).is_none());
        assert!(Lights::of(90, 60, |[x, _]| (x < 50.0).then(|| vec![1.0])).is_none());
    }
}
