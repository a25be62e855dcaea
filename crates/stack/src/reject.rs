//! What does not belong: satellites, aircraft, hot pixels.
//!
//! A clip about the mean cannot work on the sets of this trade: the largest outlier n values can
//! show is (n−1)/√n of their own σ, under 3 up to n = 10. So the middle is the median, and the
//! scatter is not that of one pixel's few values but is pooled over its surroundings, which makes
//! it as well known for 3 frames as for 20. The steps, tile by tile:
//!
//! 1. Each frame's slow offset from the others (moving glow, thin cloud) is taken off.
//! 2. Per pixel: median and median absolute deviation over the frames; the latter, with its
//!    small-sample factor, averaged over 7 × 7 pixels is σ.
//! 3. The tolerance is σ and a share of the local range of the median image in quadrature: star
//!    cores differ from frame to frame by jitter and seeing, and must stay.
//! 4. Residuals over tolerance are judged singly, summed over the channels, and averaged over
//!    3 × 3 pixels. What exceeds the strong limit is out; what touches it and exceeds the weak
//!    one is out too (hysteresis after Canny 1986), so wings go with their streak.
//! 5. Never more than a minority of a pixel's frames is rejected. Of two frames that disagree the
//!    brighter goes.

use crate::boxes::{box_extreme, box_sum};
use crate::network::{LANES, Network, middle_and_spread};
use crate::pixel_noise::PixelNoise;
use crate::spread::{per_mean, per_median};
use crate::tile::Layer;
use crate::trend::Trends;
use crate::unlike::{Expected, Unlike};

/// Pixels round a tile that its statistics look at.
pub(crate) const HALO: usize = 16;

/// What is rejected.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RejectSettings {
    /// Nothing is rejected if false.
    pub enabled: bool,
    /// Limit in σ above the median.
    pub strong_sigma: f32,
    /// Limit in σ for what touches something rejected.
    pub weak_sigma: f32,
    /// Limit in σ below the median.
    pub low_sigma: f32,
    /// Tolerated share, per σ of the limits, of the range of the median image over 3 × 3 pixels:
    /// 0.25 and the strong limit let a star's pixels vary by four fifths of the star's height: red and blue stand on every
    /// fourth pixel and tell a small star otherwise in each frame.
    pub star_tolerance: f32,
}

impl Default for RejectSettings {
    fn default() -> Self {
        Self {
            enabled: true,
            strong_sigma: 3.2,
            weak_sigma: 2.0,
            low_sigma: 4.0,
            star_tolerance: 0.25,
        }
    }
}

/// Flags per layer and pixel of what is rejected.
///
/// `noises` are the layers'. Where they differ (a bracket, another ISO), each value is judged by its own σ and
/// that of the middle together, so that a noisy frame's noise is no outlier and does not hide a quiet one's.
pub(crate) fn reject(
    layers: &[Layer],
    noises: &[PixelNoise],
    width: usize,
    height: usize,
    settings: &RejectSettings,
) -> Vec<Vec<bool>> {
    let size = width * height;
    if layers.len() < 2 || !settings.enabled {
        return layers.iter().map(|_| vec![false; size]).collect();
    }
    let trends = Trends::new(layers, width, height);
    let middle = Middle::new(layers, noises, &trends, width, height, settings);
    let mut scores = Vec::with_capacity(layers.len());
    let mut flags = Vec::with_capacity(layers.len());
    for (l, layer) in layers.iter().enumerate() {
        let score = Score::new(layer, &noises[l], l, &trends, &middle, width, settings);
        flags.push(grow(&score, width, settings));
        scores.push(score.strong);
    }
    keep_majority(&scores, &middle.count, &mut flags);
    flags
}

/// The picture in the middle of all frames, and what a frame may differ from it.
struct Middle {
    centre: [Vec<f32>; 3],
    /// 1/σ; 0 where fewer than two frames count.
    precision: [Vec<f32>; 3],
    /// What stars may differ, in σ per σ of the limits, summed over the channels.
    star: Vec<f32>,
    /// The same averaged over 3 × 3 pixels.
    star_smooth: Vec<f32>,
    /// Frames that count at a pixel.
    count: Vec<u16>,
    /// What is expected of the frames' own noises in each channel, where they differ.
    expected: Option<[Vec<Expected>; 3]>,
}

/// Frames whose mask is below this at a pixel do not take part in its statistics.
const COUNTS: f32 = 0.5;

impl Middle {
    fn new(
        layers: &[Layer],
        noises: &[PixelNoise],
        trends: &Trends,
        width: usize,
        height: usize,
        settings: &RejectSettings,
    ) -> Self {
        let size = width * height;
        let unlike = (!PixelNoise::alike(noises)).then(|| Unlike::new(noises));
        let mut count = vec![0u16; size];
        for layer in layers {
            count
                .iter_mut()
                .zip(&layer.share)
                .for_each(|(n, w)| *n += u16::from(*w >= COUNTS));
        }
        let mut centre: [Vec<f32>; 3] = std::array::from_fn(|_| vec![0.0; size]);
        let mut precision: [Vec<f32>; 3] = Default::default();
        let mut expected: [Vec<Expected>; 3] = Default::default();
        let mut star = vec![0.0; size];
        for c in 0..3 {
            let spread = column_statistics(layers, trends, unlike.as_ref(), c, width, &mut centre[c]);
            precision[c] = sigmas(&spread, &count, width);
            if let Some(unlike) = &unlike {
                // From here on σ is that of a frame with the middling noise.
                let mut scratch = Vec::new();
                expected[c] = centre[c].iter().map(|v| unlike.at(*v, &mut scratch)).collect();
                for (s, e) in precision[c].iter_mut().zip(&expected[c]) {
                    *s *= e.usual;
                }
            }
            add_star(
                &centre[c],
                &precision[c],
                &count,
                width,
                settings.star_tolerance,
                &mut star,
            );
            precision[c]
                .iter_mut()
                .filter(|s| **s > 0.0)
                .for_each(|s| *s = s.recip());
        }
        let mut star_smooth = star.clone();
        box_mean3(&mut star_smooth, width);
        Self {
            centre,
            precision,
            star,
            star_smooth,
            count,
            expected: unlike.map(|_| expected),
        }
    }
}

impl Middle {
    /// σ of the middling frame over that of a frame at the pixels from `first` on; 1 where all are alike.
    fn scales(&self, noise: &PixelNoise, c: usize, first: usize, out: &mut [f32]) {
        if let Some(expected) = &self.expected {
            let pixels = expected[c][first..].iter().zip(&self.centre[c][first..]);
            for (o, (expected, light)) in out.iter_mut().zip(pixels) {
                *o = expected.scale(noise, *light);
            }
        }
    }
}

/// Per pixel: the centre into `centre`; returns the median absolute deviation.
fn column_statistics(
    layers: &[Layer],
    trends: &Trends,
    unlike: Option<&Unlike>,
    c: usize,
    width: usize,
    centre: &mut [f32],
) -> Vec<f32> {
    let n = layers.len();
    let network = Network::new(n);
    let mut spread = vec![0.0; centre.len()];
    // What does not count is larger than everything and sorts to the end.
    let mut rows = vec![vec![f32::INFINITY; width.next_multiple_of(LANES)]; n];
    let mut columns = vec![[0.0; LANES]; n];
    let lines = centre.chunks_exact_mut(width).zip(spread.chunks_exact_mut(width));
    for (y, (centre, spread)) in lines.enumerate() {
        for (l, row) in rows.iter_mut().enumerate() {
            fill_row(&layers[l], trends, (l, c, y), &mut row[..width]);
        }
        let chunks = centre.chunks_mut(LANES).zip(spread.chunks_mut(LANES));
        for (k, (centre, spread)) in chunks.enumerate() {
            for (column, row) in columns.iter_mut().zip(&rows) {
                column.copy_from_slice(&row[k * LANES..][..LANES]);
            }
            let (middle, deviation) = match unlike {
                None => middle_and_spread(&network, &mut columns),
                Some(unlike) => unlike.middle_and_spread(&network, &mut columns),
            };
            centre.copy_from_slice(&middle[..centre.len()]);
            spread.copy_from_slice(&deviation[..spread.len()]);
        }
    }
    spread
}

/// One row of a layer without its trend, infinite where it does not count.
fn fill_row(layer: &Layer, trends: &Trends, (l, c, y): (usize, usize, usize), row: &mut [f32]) {
    let at = y * row.len();
    trends.row(l, c, y, row);
    let pixels = layer.values[c][at..].iter().zip(&layer.share[at..]);
    for (r, (v, w)) in row.iter_mut().zip(pixels) {
        *r = if *w >= COUNTS { v - *r } else { f32::INFINITY };
    }
}

/// σ of a frame's difference from the middle, per pixel; 0 where fewer than two frames count.
fn sigmas(spread: &[f32], count: &[u16], width: usize) -> Vec<f32> {
    let typical = typical_sigma(spread, count);
    let mut pooled = pool(spread, count, width);
    for (s, n) in pooled.iter_mut().zip(count) {
        *s = match n {
            0 | 1 => 0.0,
            // The scatter of two is all in the one that is too bright: only the tile's will do.
            2 => typical * std::f32::consts::SQRT_2,
            _ => s.max(0.5 * typical),
        };
    }
    pooled
}

/// Adds the share of the median image's range, in σ, that stars may differ.
fn add_star(centre: &[f32], sigma: &[f32], count: &[u16], width: usize, share: f32, star: &mut [f32]) {
    let range = local_range(centre, count, width, 1);
    for (p, out) in star.iter_mut().enumerate().filter(|(p, _)| sigma[*p] > 0.0) {
        // Noise of the median makes a range too: of nine values about 3 of its σ.
        let noise = 3.0 * 1.25 / f32::from(count[p]).sqrt();
        *out += share * (range[p] / sigma[p] - noise).max(0.0);
    }
}

/// σ of the tile as a whole, from every 7th pixel.
fn typical_sigma(spread: &[f32], count: &[u16]) -> f32 {
    let picked = spread.iter().zip(count).step_by(7).filter(|(_, n)| **n >= 2);
    let mut values: Vec<f32> = picked.map(|(s, n)| s * per_median(usize::from(*n))).collect();
    crate::noise::median_of(&mut values).unwrap_or(0.0).max(1e-7)
}

/// σ averaged over 7 × 7 pixels with at least three frames.
fn pool(spread: &[f32], count: &[u16], width: usize) -> Vec<f32> {
    let usable = |n: u16| n >= 3;
    let mut sum: Vec<f32> = spread
        .iter()
        .zip(count)
        .map(|(s, n)| {
            if usable(*n) {
                s * per_mean(usize::from(*n))
            } else {
                0.0
            }
        })
        .collect();
    let mut weight: Vec<f32> = count.iter().map(|n| f32::from(u8::from(usable(*n)))).collect();
    box_sum(&mut sum, width, 3);
    box_sum(&mut weight, width, 3);
    sum.iter_mut()
        .zip(weight)
        .for_each(|(s, w)| *s = if w > 0.5 { *s / w } else { 0.0 });
    sum
}

/// Largest less smallest of the covered pixels at most `reach` away.
fn local_range(centre: &[f32], count: &[u16], width: usize, reach: usize) -> Vec<f32> {
    let masked = |empty: f32| -> Vec<f32> {
        centre
            .iter()
            .zip(count)
            .map(|(v, n)| if *n > 0 { *v } else { empty })
            .collect()
    };
    let (mut high, mut low) = (masked(f32::NEG_INFINITY), masked(f32::INFINITY));
    box_extreme(&mut high, width, reach, |a, b| if b > a { b } else { a });
    box_extreme(&mut low, width, reach, |a, b| if b < a { b } else { a });
    high.iter()
        .zip(low)
        .map(|(h, l)| if *h >= l { h - l } else { 0.0 })
        .collect()
}

/// How far a frame's pixels are out, in σ of what may be expected there.
struct Score {
    /// The largest of all measures; below the middle it counts less.
    strong: Vec<f32>,
    /// The largest of those that noise in one channel or pixel does not touch.
    coherent: Vec<f32>,
}

impl Score {
    fn new(
        layer: &Layer,
        noise: &PixelNoise,
        l: usize,
        trends: &Trends,
        middle: &Middle,
        width: usize,
        settings: &RejectSettings,
    ) -> Self {
        let size = middle.count.len();
        let (mut single, mut sum) = (vec![0.0f32; size], vec![0.0f32; size]);
        let low = settings.strong_sigma / settings.low_sigma;
        let (mut trend, mut scale) = (vec![0.0; width], vec![1.0; width]);
        for c in 0..3 {
            for y in 0..size / width {
                let row = y * width..(y + 1) * width;
                trends.row(l, c, y, &mut trend);
                middle.scales(noise, c, row.start, &mut scale);
                let seen = layer.values[c][row.clone()]
                    .iter()
                    .zip(&layer.weight[row.clone()]);
                let known = middle.centre[c][row.clone()]
                    .iter()
                    .zip(&middle.precision[c][row.clone()]);
                let out = single[row.clone()].iter_mut().zip(&mut sum[row]);
                let along = trend.iter().zip(&scale);
                for ((((single, sum), (v, w)), (centre, precision)), (trend, scale)) in
                    out.zip(seen).zip(known).zip(along)
                {
                    // A pixel without two frames has no precision; one not covered no weight.
                    let z = (v - trend - centre) * precision;
                    let z = if *w > 0.0 { z } else { 0.0 };
                    let z = z * scale;
                    *single = single.max(z.max(-z * low));
                    *sum += z;
                }
            }
        }
        let mut smooth = sum.clone();
        box_mean3(&mut smooth, width);
        let (unit_sum, unit_smooth) = (unit(&sum), unit(&smooth));
        let of_one = (unit_sum / 3f32.sqrt()).max(1.0);
        let judge = |value: f32, unit: f32, star: f32| value / (unit * unit + star * star).sqrt();
        for y in 0..size / width {
            let row = y * width..(y + 1) * width;
            // What stars may differ is light: more σ of a quiet frame, fewer of a noisy one.
            middle.scales(noise, 1, row.start, &mut scale);
            let stars = middle.star[row.clone()]
                .iter()
                .zip(&middle.star_smooth[row.clone()])
                .zip(&scale);
            let out = single[row.clone()].iter_mut().zip(&mut smooth[row.clone()]);
            for (((single, coherent), sum), ((star, star_smooth), scale)) in out.zip(&sum[row]).zip(stars) {
                let star = star * scale;
                let s = judge(*sum, unit_sum, star);
                *coherent = s.max(judge(*coherent, unit_smooth, star_smooth * scale));
                *single = judge(*single, of_one, star / 3.0).max(*coherent).max(-s * low);
            }
        }
        Self {
            strong: single,
            coherent: smooth,
        }
    }
}

/// σ from the 90th percentile of the absolute values, 1.645 σ of a normal distribution.
fn unit(values: &[f32]) -> f32 {
    let mut picked: Vec<f32> = values
        .iter()
        .step_by(5)
        .filter(|v| **v != 0.0)
        .map(|v| v.abs())
        .collect();
    if picked.is_empty() {
        return 1.0;
    }
    let at = picked.len() * 9 / 10;
    let (_, q, _) = picked.select_nth_unstable_by(at, f32::total_cmp);
    (*q / 1.645).max(1e-3)
}

/// Strong pixels, and weak ones that touch them, three pixels far.
fn grow(score: &Score, width: usize, settings: &RejectSettings) -> Vec<bool> {
    let height = score.strong.len() / width;
    let mut flags: Vec<bool> = score.strong.iter().map(|s| *s >= settings.strong_sigma).collect();
    let mut front: Vec<usize> = (0..flags.len()).filter(|p| flags[*p]).collect();
    for _ in 0..3 {
        let mut next = Vec::new();
        for p in front {
            let (x, y) = (p % width, p / width);
            for ny in y.saturating_sub(1)..(y + 2).min(height) {
                for nx in x.saturating_sub(1)..(x + 2).min(width) {
                    let q = ny * width + nx;
                    if !flags[q] && score.coherent[q] >= settings.weak_sigma {
                        flags[q] = true;
                        next.push(q);
                    }
                }
            }
        }
        front = next;
    }
    flags
}

/// Takes back rejections, the mildest first, until only a minority of a pixel's frames is out.
fn keep_majority(scores: &[Vec<f32>], count: &[u16], flags: &mut [Vec<bool>]) {
    let mut rejected = vec![0u16; count.len()];
    for layer in flags.iter() {
        rejected
            .iter_mut()
            .zip(layer)
            .for_each(|(n, f)| *n += u16::from(*f));
    }
    for (p, (n, rejected)) in count.iter().zip(rejected).enumerate() {
        let allowed = if *n == 2 { 1 } else { n.saturating_sub(1) / 2 };
        if rejected > allowed {
            let mut out: Vec<usize> = (0..flags.len()).filter(|l| flags[*l][p]).collect();
            out.sort_by(|a, b| scores[*b][p].total_cmp(&scores[*a][p]));
            out[usize::from(allowed)..]
                .iter()
                .for_each(|l| flags[*l][p] = false);
        }
    }
}

fn box_mean3(values: &mut [f32], width: usize) {
    box_sum(values, width, 1);
    values.iter_mut().for_each(|v| *v *= 1.0 / 9.0);
}
