//! Frames whose noises differ, judged beside each other.
//!
//! Their middle is a median weighted by 1/σ, in which no frame has the majority alone: the quietest is the best
//! witness, and may still be the one that an aircraft crossed.

use crate::network::{LANES, Network, medians, middle_and_spread};
use crate::pixel_noise::PixelNoise;

/// Weight of a frame in the median at most, in parts of all others' together.
const MINORITY: f32 = 0.9;

/// The noises of a tile's layers.
pub(crate) struct Unlike {
    noises: Vec<PixelNoise>,
}

/// What is expected of the frames' differences from the middle at one light.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Expected {
    /// σ of the middling frame: 1 over the mean of 1/σ.
    pub(crate) usual: f32,
    of_middle: f32,
}

impl Expected {
    /// σ of the middling frame over that of a frame.
    pub(crate) fn scale(&self, noise: &PixelNoise, light: f32) -> f32 {
        self.usual / (noise.variance(light) + self.of_middle).sqrt()
    }
}

impl Unlike {
    pub(crate) fn new(noises: &[PixelNoise]) -> Self {
        Self {
            noises: noises.to_vec(),
        }
    }

    /// The frames' weights in the median at a light.
    fn weights(&self, light: f32, weights: &mut Vec<f32>) {
        weights.clear();
        weights.extend(self.noises.iter().map(|n| n.variance(light).sqrt().recip()));
        let sum: f32 = weights.iter().sum();
        for w in weights.iter_mut() {
            *w = w.min(MINORITY * (sum - *w));
        }
    }

    /// Variance of the weighted median: π/2 · Σw² / (Σw/σ)², by the densities at the middle (Kendall & Stuart,
    /// The Advanced Theory of Statistics I, asymptotic; with equal weights and σ the usual π σ²/2n).
    fn of_middle(&self, light: f32, weights: &mut Vec<f32>) -> f32 {
        self.weights(light, weights);
        let square: f32 = weights.iter().map(|w| w * w).sum();
        let pairs = weights.iter().zip(&self.noises);
        let over_sigma: f32 = pairs.map(|(w, n)| w / n.variance(light).sqrt()).sum();
        std::f32::consts::FRAC_PI_2 * square / (over_sigma * over_sigma)
    }

    /// What is expected of all frames at a light.
    pub(crate) fn at(&self, light: f32, scratch: &mut Vec<f32>) -> Expected {
        let of_middle = self.of_middle(light, scratch);
        let inverse = |n: &PixelNoise| (n.variance(light) + of_middle).sqrt().recip();
        let sum: f32 = self.noises.iter().map(inverse).sum();
        Expected {
            usual: self.noises.len() as f32 / sum,
            of_middle,
        }
    }

    /// Centre of every column, and the median absolute deviation in units of what is expected of each frame; the
    /// columns are overwritten.
    pub(crate) fn middle_and_spread(
        &self,
        network: &Network,
        columns: &mut [[f32; LANES]],
    ) -> ([f32; LANES], [f32; LANES]) {
        let mut own = columns.to_vec();
        let mut counts = [0; LANES];
        for column in &own {
            counts
                .iter_mut()
                .zip(column)
                .for_each(|(n, v)| *n += usize::from(*v < f32::INFINITY));
        }
        let (plain, _) = middle_and_spread(network, columns);
        let (mut weights, mut order) = (Vec::new(), Vec::new());
        let mut centre = plain;
        for k in 0..LANES {
            // Of two the lower one is believed, as of two alike.
            if counts[k] > 2 {
                self.weights(plain[k], &mut weights);
                order.clear();
                order.extend(
                    own.iter()
                        .zip(&weights)
                        .map(|(c, w)| (c[k], *w))
                        .filter(|c| c.0 < f32::INFINITY),
                );
                centre[k] = weighted_median(&mut order);
            }
            let of_middle = self.of_middle(centre[k], &mut weights);
            for (column, noise) in own.iter_mut().zip(&self.noises) {
                let sigma = (noise.variance(centre[k]) + of_middle).sqrt();
                column[k] = (column[k] - centre[k]).abs() / sigma;
            }
        }
        network.sort(&mut own);
        let mut spread = medians(&own, &counts);
        // Of two all of the difference is the other's.
        spread
            .iter_mut()
            .zip(counts)
            .filter(|(_, n)| *n == 2)
            .for_each(|(s, _)| *s *= 0.5);
        (centre, spread)
    }
}

/// The value at which half of the weight is passed; between two where it is met just there.
fn weighted_median(values: &mut [(f32, f32)]) -> f32 {
    values.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
    let half = 0.5 * values.iter().map(|v| v.1).sum::<f32>();
    let mut passed = 0.0;
    for pair in values.windows(2) {
        passed += pair[0].1;
        if passed > half * (1.0 + 1e-5) {
            return pair[0].0;
        }
        if passed > half * (1.0 - 1e-5) {
            return 0.5 * (pair[0].0 + pair[1].0);
        }
    }
    values.last().map_or(0.0, |v| v.0)
}

#[cfg(test)]
mod tests {
    use super::weighted_median;

    #[test]
    fn the_middle_of_the_weight_is_found() {
        assert_eq!(weighted_median(&mut [(3.0, 1.0), (1.0, 1.0), (2.0, 1.0)]), 2.0);
        assert_eq!(weighted_median(&mut [(3.0, 1.0), (1.0, 1.0)]), 2.0);
        assert_eq!(weighted_median(&mut [(9.0, 1.1), (1.0, 1.0), (2.0, 0.25)]), 2.0);
        assert_eq!(weighted_median(&mut [(5.0, 4.0), (1.0, 1.0), (2.0, 1.0)]), 5.0);
        assert_eq!(weighted_median(&mut []), 0.0);
    }
}
