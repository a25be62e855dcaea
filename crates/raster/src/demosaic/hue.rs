//! Stars out of cells of 6 × 6 without rims.
//!
//! Red and blue stand too far apart in such a cell to be spread by themselves, as [`points`](super::points) do in Bayer
//! mosaics. But a star has one colour: with the channels' ratios over its light known, every sample, whatever its filter,
//! tells the light at its place, and the light times the ratio is the other channels (constant hue: Cok 1987, US patent
//! 4 642 678, there pixel by pixel). Nothing rings, no rim can differ in colour from the core, and the light of each channel is
//! that of its own samples.
//!
//! The ratios are those of sums over a few pixels round about, of a channel's samples to the light at their places; that
//! light comes from all samples divided by the ratios so far, by the linear filter for points.

use rayon::prelude::*;

use super::linear::{Likeness, Model, SIDE, filter_row, weights};
use super::six::inside;
use super::surroundings::{Surroundings, share_of_points};
use crate::{Mosaic, Plane, Rgb};

/// Inner pixels of a tile.
const TILE: usize = 32 * SIDE;
/// How far the rounds look: each sums over six pixels and filters over three.
const HALO: usize = 6 * SIDE;
/// Rounds in which ratios and light are found from each other.
const ROUNDS: usize = 3;
/// A sum is three boxes of this many pixels: like a Gaussian of σ 2.4 px.
const BOX: usize = 5;
/// Samples above this part of saturation say nothing of colour.
const BRIGHTEST: f32 = 0.8;
/// So many sigmas of a pixel's noise, as light in the sums, pull the ratios towards neutral.
const PULL: f32 = 0.02;
/// Ratios beyond this are no star's, white balance apart.
const MOST_RATIO: f32 = 2.5;
/// Share of a star's light in its brightest pixel from which on red and blue may be missed: FWHM 1.8 px …
const SHARP: f32 = 0.2;
/// … and at which they are as good as not seen: under 1 px. In between the ratios are drawn towards neutral, as far as to
/// half at the end.
const NEEDLE: f32 = 0.4;
/// Share of the cell's pixels that have each colour.
const DENSITY: [f32; 3] = [8.0 / 36.0, 20.0 / 36.0, 8.0 / 36.0];

const STARS: Model = Model {
    light: Likeness::Points { sigma: 0.9 },
    colour: Likeness::Points { sigma: 0.9 },
    share: 0.05,
    noise: 0.01,
};

/// Puts stars of one hue into a picture that [`six`](super::six) made. `far` is the distance of each pixel from a point.
pub(super) fn put_points(
    picture: &mut Rgb,
    mosaic: &Mosaic,
    balance: [f32; 3],
    far: &[u8],
    sky: &Surroundings,
) {
    let (width, height) = (mosaic.plane.width(), mosaic.plane.height());
    let light: Vec<Vec<[f32; SIDE]>> = weights(mosaic.cfa, &STARS)
        .iter()
        .map(|of| {
            let mean = |k: usize| std::array::from_fn(|i| (of[0][k][i] + of[1][k][i] + of[2][k][i]) / 3.0);
            (0..of[0].len()).map(mean).collect()
        })
        .collect();
    let [r, g, b] = picture.planes_mut();
    let bands = [r, g, b].map(|p: &mut Plane| p.data_mut().par_chunks_mut(TILE * width));
    let [r, g, b] = bands;
    r.zip(g).zip(b).enumerate().for_each(|(band, ((r, g), b))| {
        let mut out = [r, g, b];
        let y0 = band * TILE;
        for x0 in (0..width).step_by(TILE) {
            let near = (y0..(y0 + TILE).min(height)).any(|y| {
                far[y * width + x0..y * width + (x0 + TILE).min(width)]
                    .iter()
                    .any(|f| share_of_points(*f) > 0.0)
            });
            if near {
                let tile = Tile::cut(mosaic, balance, [x0, y0], sky);
                let ratios = tile.ratios(&light);
                tile.put(mosaic, (balance, far), &ratios, &mut out);
            }
        }
    });
}

const SIZE: usize = TILE + 2 * HALO;

struct Tile<'a> {
    at: [usize; 2],
    /// Balanced light above the surroundings.
    excess: Vec<f32>,
    colour: Vec<u8>,
    /// Whether a sample tells of colour.
    tells: Vec<bool>,
    /// The pull towards neutral.
    pull: f32,
    sky: &'a Surroundings,
}

impl<'a> Tile<'a> {
    fn cut(mosaic: &Mosaic, balance: [f32; 3], at: [usize; 2], sky: &'a Surroundings) -> Self {
        let (w, h) = (mosaic.plane.width(), mosaic.plane.height());
        let n = SIZE * SIZE;
        let (mut excess, mut colour, mut tells) = (
            Vec::with_capacity(n),
            Vec::with_capacity(n),
            Vec::with_capacity(n),
        );
        for y in 0..SIZE {
            let v = inside((at[1] + y) as isize - HALO as isize, h);
            for x in 0..SIZE {
                let u = inside((at[0] + x) as isize - HALO as isize, w);
                let (c, value) = (mosaic.cfa.colour(u, v), mosaic.plane.at(u, v));
                excess.push((value - sky.level(c, u, v)) * balance[c]);
                colour.push(c as u8);
                tells.push(value < BRIGHTEST);
            }
        }
        let middle = [(at[0] + TILE / 2).min(w - 1), (at[1] + TILE / 2).min(h - 1)];
        let pull = PULL * sky.sigma(1, middle[0], middle[1]) * balance[1];
        Self {
            at,
            excess,
            colour,
            tells,
            pull,
            sky,
        }
    }

    /// The ratio of each channel to the light, pixel by pixel.
    fn ratios(&self, light: &[Vec<[f32; SIDE]>]) -> [Vec<f32>; 3] {
        let mut ratios = [(); 3].map(|()| vec![1.0f32; SIZE * SIZE]);
        let samples: [Vec<f32>; 3] = [0, 1, 2].map(|c| summed(&self.only(c, &self.excess)));
        for _ in 0..ROUNDS {
            let plain: Vec<f32> = (0..SIZE * SIZE)
                .map(|i| self.excess[i] / ratios[usize::from(self.colour[i])][i])
                .collect();
            let mut all = vec![0.0; SIZE * SIZE];
            for y in SIDE..SIZE - SIDE {
                let out = &mut all[y * SIZE + SIDE..(y + 1) * SIZE - SIDE];
                filter_row(&plain, SIZE, &light[y % SIDE], (SIDE, y), out);
                out.iter_mut().for_each(|v| *v = v.max(0.0));
            }
            let neutral = drawn_to_neutral(&all);
            for (c, ratio) in ratios.iter_mut().enumerate() {
                let there = summed(&self.only(c, &all));
                let own = samples[c].iter().zip(&there).zip(&neutral);
                for (ratio, ((own, there), neutral)) in ratio.iter_mut().zip(own) {
                    let pull = self.pull + neutral * DENSITY[c];
                    let found = (own + pull) / (there + pull).max(f32::MIN_POSITIVE);
                    *ratio = found.clamp(1.0 / MOST_RATIO, MOST_RATIO);
                }
            }
        }
        ratios
    }

    fn only(&self, colour: usize, values: &[f32]) -> Vec<f32> {
        let own = |i: usize| usize::from(self.colour[i]) == colour && self.tells[i];
        values
            .iter()
            .enumerate()
            .map(|(i, v)| if own(i) { *v } else { 0.0 })
            .collect()
    }

    fn put(
        &self,
        mosaic: &Mosaic,
        (balance, far): ([f32; 3], &[u8]),
        ratios: &[Vec<f32>; 3],
        out: &mut [&mut [f32]; 3],
    ) {
        let (width, height) = (mosaic.plane.width(), mosaic.plane.height());
        for y in 0..TILE.min(height - self.at[1]) {
            for x in 0..TILE.min(width - self.at[0]) {
                let (u, v) = (self.at[0] + x, self.at[1] + y);
                let share = share_of_points(far[v * width + u]);
                let i = (y + HALO) * SIZE + x + HALO;
                let own = usize::from(self.colour[i]);
                for c in (0..3).filter(|c| *c != own && share > 0.0) {
                    // What lies below the surroundings is no star's.
                    let ratio = if self.excess[i] > 0.0 {
                        ratios[c][i] / ratios[own][i]
                    } else {
                        1.0
                    };
                    let value = self.sky.level(c, u, v) + self.excess[i] * ratio / balance[c];
                    let there = &mut out[c][y * width + u];
                    *there += share * (value - *there);
                }
            }
        }
    }
}

/// Light in the sums that counts as neutral, because it stands in needles.
fn drawn_to_neutral(light: &[f32]) -> Vec<f32> {
    let mut needles = vec![0.0; light.len()];
    for y in 2..SIZE - 2 {
        for x in 2..SIZE - 2 {
            let round = || (y - 2..=y + 2).flat_map(|v| &light[v * SIZE + x - 2..=v * SIZE + x + 2]);
            let own = light[y * SIZE + x];
            if own <= 0.0 || round().any(|v| *v > own) {
                continue;
            }
            // The brightest pixel of a star stands for its light.
            let sum: f32 = round().sum();
            needles[y * SIZE + x] = sum * ((own / sum - SHARP) / (NEEDLE - SHARP)).clamp(0.0, 1.0);
        }
    }
    summed(&needles)
}

/// Means over three boxes each way.
fn summed(values: &[f32]) -> Vec<f32> {
    let mut from = values.to_vec();
    let mut to = vec![0.0; from.len()];
    for _ in 0..3 {
        for (from, to) in from.chunks_exact(SIZE).zip(to.chunks_exact_mut(SIZE)) {
            for (x, t) in to.iter_mut().enumerate().take(SIZE - BOX / 2).skip(BOX / 2) {
                *t = from[x - BOX / 2..=x + BOX / 2].iter().sum::<f32>() / BOX as f32;
            }
        }
        from.fill(0.0);
        for y in BOX / 2..SIZE - BOX / 2 {
            for k in 0..BOX {
                let row = &to[(y + k - BOX / 2) * SIZE..][..SIZE];
                for (f, t) in from[y * SIZE..][..SIZE].iter_mut().zip(row) {
                    *f += t / BOX as f32;
                }
            }
        }
    }
    from
}
