//! Frames whose noises differ, judged beside each other.

use crate::network::{LANES, Network, medians};
use crate::reject::middle_and_spread;
use crate::worth::PixelNoise;

/// The noises of a tile's layers.
pub(crate) struct Unlike {
    noises: Vec<PixelNoise>,
}

impl Unlike {
    pub(crate) fn new(noises: &[PixelNoise]) -> Self {
        Self {
            noises: noises.to_vec(),
        }
    }

    /// Variance of the median of values with different σ: π/2 over the square of the sum of 1/σ (from the
    /// densities at the middle; Kendall & Stuart, The Advanced Theory of Statistics I, asymptotic).
    fn of_median(&self, light: f32) -> f32 {
        let sum: f32 = self.noises.iter().map(|n| n.variance(light).sqrt().recip()).sum();
        std::f32::consts::FRAC_PI_2 / (sum * sum)
    }

    /// What is expected of all frames at a light.
    pub(crate) fn at(&self, light: f32) -> Expected {
        let of_median = self.of_median(light);
        let inverse = |n: &PixelNoise| (n.variance(light) + of_median).sqrt().recip();
        let sum: f32 = self.noises.iter().map(inverse).sum();
        Expected {
            usual: self.noises.len() as f32 / sum,
            of_median,
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
        let (centre, _) = middle_and_spread(network, columns);
        let of_median = centre.map(|m| self.of_median(m));
        for (column, noise) in own.iter_mut().zip(&self.noises) {
            for ((v, m), of_median) in column.iter_mut().zip(centre).zip(of_median) {
                *v = (*v - m).abs() / (noise.variance(m) + of_median).sqrt();
            }
        }
        network.sort(&mut own);
        let mut spread = medians(&own, &counts);
        // Of two the lower one is believed: all of the difference is the other's.
        spread
            .iter_mut()
            .zip(counts)
            .filter(|(_, n)| *n == 2)
            .for_each(|(s, _)| *s *= 0.5);
        (centre, spread)
    }
}

/// What is expected of the frames' differences from the median at one light.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Expected {
    /// σ of the middling frame: 1 over the mean of 1/σ.
    pub(crate) usual: f32,
    of_median: f32,
}

impl Expected {
    /// σ of the middling frame over that of a frame.
    pub(crate) fn scale(&self, noise: &PixelNoise, light: f32) -> f32 {
        self.usual / (noise.variance(light) + self.of_median).sqrt()
    }
}
