//! What a pixel of a frame is worth in a mean: its weight over its variance, by the light that falls there.

use crate::boxes::box_sum;
use crate::combine::Input;
use crate::tile::Layer;

/// Frames whose σ differ by less than this factor at every light are of one kind: the measure itself
/// scatters by some per cent.
const ALIKE: f32 = 1.15;

/// No pixel is without noise, and 1 over this is still a number that can be summed.
const LEAST_VARIANCE: f32 = 1e-20;

/// Variance of a pixel: `read` + `shot` · light, in any unit that the inputs share (Janesick 2007, photon
/// transfer: read noise and the shot noise of the light, the latter in proportion to it).
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct PixelNoise {
    /// Where there is no light.
    pub read: f32,
    /// More for each unit of light, in the unit of the stack.
    pub shot: f32,
}

impl Default for PixelNoise {
    /// The same everywhere.
    fn default() -> Self {
        Self { read: 1.0, shot: 0.0 }
    }
}

impl PixelNoise {
    /// At a light; below zero, which is noise, it is that of no light.
    #[inline]
    pub fn variance(&self, light: f32) -> f32 {
        (self.read + self.shot * light.max(0.0)).max(LEAST_VARIANCE)
    }

    /// Whether all are so alike that none has to be told from another.
    pub(crate) fn alike(all: &[Self]) -> bool {
        let within = |value: fn(&Self) -> f32| {
            let low = all.iter().map(value).fold(f32::INFINITY, f32::min);
            let high = all.iter().map(value).fold(0.0, f32::max);
            high <= low * ALIKE * ALIKE
        };
        within(|n| n.read) && within(|n| n.shot)
    }
}

/// The light of a tile, mean of the channels, averaged over 3 × 3 pixels, where some input's worth depends
/// on it: all must be judged by the same light, or bright noise would count less than dark.
pub(crate) fn light(layers: &[Layer], inputs: &[Input], width: usize) -> Option<Vec<f32>> {
    let same = layers
        .windows(2)
        .all(|w| inputs[w[0].input].noise == inputs[w[1].input].noise);
    if same || layers.iter().all(|l| inputs[l.input].noise.shot == 0.0) {
        return None;
    }
    let size = layers.first().map_or(0, |l| l.weight.len());
    let (mut sum, mut weights) = (vec![0.0f32; size], vec![0.0f32; size]);
    for layer in layers {
        let worth = inputs[layer.input].worth();
        let [r, g, b] = &layer.values;
        for (p, w) in layer.weight.iter().enumerate() {
            sum[p] += w * worth * (r[p] + g[p] + b[p]) / 3.0;
            weights[p] += w * worth;
        }
    }
    box_sum(&mut sum, width, 1);
    box_sum(&mut weights, width, 1);
    let mean = |(s, w): (&f32, &f32)| if *w > 0.0 { s / w } else { 0.0 };
    Some(sum.iter().zip(&weights).map(mean).collect())
}

/// One input's worth on a tile.
pub(crate) struct Worths<'a> {
    weight: f32,
    noise: PixelNoise,
    light: Option<&'a [f32]>,
}

impl<'a> Worths<'a> {
    pub(crate) fn new(input: &Input, light: Option<&'a [f32]>) -> Self {
        Self {
            weight: input.weight,
            noise: input.noise,
            light,
        }
    }

    #[inline]
    pub(crate) fn at(&self, p: usize) -> f32 {
        self.weight / self.noise.variance(self.light.map_or(0.0, |l| l[p]))
    }
}
