//! What a pixel of a frame is worth in a mean: its weight over its variance, by the light that falls there.

use crate::boxes::box_sum;
use crate::input::Input;
use crate::pixel_noise::PixelNoise;
use crate::tile::Layer;

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
