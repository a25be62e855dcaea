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

use crate::spread::{per_mean, per_median};
use crate::tile::Layer;
use crate::trend::Trends;

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
    /// 0.16 and the strong limit let a star's pixels vary by half the star's height.
    pub star_tolerance: f32,
}

impl Default for RejectSettings {
    fn default() -> Self {
        Self {
            enabled: true,
            strong_sigma: 3.2,
            weak_sigma: 1.5,
            low_sigma: 4.0,
            star_tolerance: 0.16,
        }
    }
}

/// Flags per layer and pixel of what is rejected.
pub(crate) fn reject(
    layers: &[Layer],
    width: usize,
    height: usize,
    settings: &RejectSettings,
) -> Vec<Vec<bool>> {
    let size = width * height;
    if layers.len() < 2 || !settings.enabled {
        return layers.iter().map(|_| vec![false; size]).collect();
    }
    let trends = Trends::new(layers, width, height);
    let middle = Middle::new(layers, &trends, width, height, settings);
    let scores: Vec<Vec<f32>> = (0..layers.len())
        .map(|l| score(layers, l, &trends, &middle, width, settings))
        .collect();
    let mut flags: Vec<Vec<bool>> = scores.iter().map(|s| grow(s, width, settings)).collect();
    keep_majority(&scores, &middle.count, &mut flags);
    flags
}

/// The picture in the middle of all frames, and what a frame may differ from it.
struct Middle {
    centre: [Vec<f32>; 3],
    /// 1 over the tolerance.
    precision: [Vec<f32>; 3],
    /// Frames that count at a pixel.
    count: Vec<u16>,
}

/// Frames whose mask is below this at a pixel do not take part in its statistics.
const COUNTS: f32 = 0.5;

impl Middle {
    fn new(
        layers: &[Layer],
        trends: &Trends,
        width: usize,
        height: usize,
        settings: &RejectSettings,
    ) -> Self {
        let size = width * height;
        let mut count = vec![0u16; size];
        for layer in layers {
            count
                .iter_mut()
                .zip(&layer.weight)
                .for_each(|(n, w)| *n += u16::from(*w >= COUNTS));
        }
        let mut centre: [Vec<f32>; 3] = std::array::from_fn(|_| vec![0.0; size]);
        let mut precision: [Vec<f32>; 3] = std::array::from_fn(|_| vec![0.0; size]);
        for c in 0..3 {
            let spread = column_statistics(layers, trends, c, width, &mut centre[c]);
            tolerance(&centre[c], &spread, &count, width, settings, &mut precision[c]);
        }
        Self {
            centre,
            precision,
            count,
        }
    }
}

/// Per pixel: the centre into `centre`; returns σ's single-pixel estimate.
fn column_statistics(
    layers: &[Layer],
    trends: &Trends,
    c: usize,
    width: usize,
    centre: &mut [f32],
) -> Vec<f32> {
    let n = layers.len();
    let mut spread = vec![0.0; centre.len()];
    let mut rows = vec![vec![0.0; width]; n];
    let (mut column, mut scratch) = (vec![0.0; n], vec![0.0; n]);
    for (y, (centre, spread)) in centre
        .chunks_exact_mut(width)
        .zip(spread.chunks_exact_mut(width))
        .enumerate()
    {
        for (l, row) in rows.iter_mut().enumerate() {
            trends.row(l, c, y, row);
            let values = &layers[l].values[c][y * width..][..width];
            row.iter_mut().zip(values).for_each(|(r, v)| *r = v - *r);
        }
        for x in 0..width {
            let mut k = 0;
            for (row, layer) in rows.iter().zip(layers) {
                if layer.weight[y * width + x] >= COUNTS {
                    column[k] = row[x];
                    k += 1;
                }
            }
            let (m, s) = crate::spread::mad(&mut column[..k], &mut scratch[..k]);
            // Two frames: the lower one is believed.
            centre[x] = if k == 2 { m - s } else { m };
            spread[x] = s;
        }
    }
    spread
}

/// Fills `precision` with one over the tolerance.
fn tolerance(
    centre: &[f32],
    spread: &[f32],
    count: &[u16],
    width: usize,
    settings: &RejectSettings,
    precision: &mut [f32],
) {
    let typical = typical_sigma(spread, count);
    let pooled = pool(spread, count, width);
    let range = range3(centre, count, width);
    for p in 0..precision.len() {
        let n = usize::from(count[p]);
        if n < 2 {
            continue;
        }
        let sigma = if n == 2 {
            typical * std::f32::consts::SQRT_2
        } else {
            pooled[p].max(0.5 * typical)
        };
        // Noise of the median makes a range too: of nine values about 3 σ.
        let noise_range = 3.0 * 1.25 * sigma / (n as f32).sqrt();
        let star = settings.star_tolerance * (range[p] - noise_range).max(0.0);
        precision[p] = 1.0 / (sigma * sigma + star * star).sqrt().max(f32::MIN_POSITIVE.sqrt());
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
    crate::boxes::box_sum(&mut sum, width, 3);
    crate::boxes::box_sum(&mut weight, width, 3);
    sum.iter_mut()
        .zip(weight)
        .for_each(|(s, w)| *s = if w > 0.5 { *s / w } else { 0.0 });
    sum
}

/// Largest less smallest of the covered 3 × 3 pixels.
fn range3(centre: &[f32], count: &[u16], width: usize) -> Vec<f32> {
    let height = centre.len() / width;
    let mut out = vec![0.0; centre.len()];
    for y in 0..height {
        let rows = y.saturating_sub(1)..(y + 2).min(height);
        for x in 0..width {
            let columns = x.saturating_sub(1)..(x + 2).min(width);
            let (mut low, mut high) = (f32::INFINITY, f32::NEG_INFINITY);
            for p in rows
                .clone()
                .flat_map(|y| columns.clone().map(move |x| y * width + x))
            {
                if count[p] > 0 {
                    low = low.min(centre[p]);
                    high = high.max(centre[p]);
                }
            }
            out[y * width + x] = (high - low).max(0.0);
        }
    }
    out
}

/// How far a frame's pixel is out, in σ; below the middle it counts less.
fn score(
    layers: &[Layer],
    l: usize,
    trends: &Trends,
    middle: &Middle,
    width: usize,
    settings: &RejectSettings,
) -> Vec<f32> {
    let size = middle.count.len();
    let (mut single, mut sum) = (vec![0.0f32; size], vec![0.0f32; size]);
    let low = settings.strong_sigma / settings.low_sigma;
    let mut trend = vec![0.0; width];
    for c in 0..3 {
        for y in 0..size / width {
            trends.row(l, c, y, &mut trend);
            for x in 0..width {
                let p = y * width + x;
                if layers[l].weight[p] > 0.0 && middle.count[p] >= 2 {
                    let z =
                        (layers[l].values[c][p] - trend[x] - middle.centre[c][p]) * middle.precision[c][p];
                    single[p] = single[p].max(z.max(-z * low));
                    sum[p] += z;
                }
            }
        }
    }
    let mut smooth = sum.clone();
    crate::boxes::box_sum(&mut smooth, width, 1);
    let (a, b) = (unit(&sum), unit(&smooth));
    let judge = |p: usize| single[p].max((sum[p] * a).max(smooth[p] * b).max(-sum[p] * a * low));
    (0..size)
        .map(|p| if layers[l].weight[p] > 0.0 { judge(p) } else { 0.0 })
        .collect()
}

/// Factor that gives values a σ of 1, from the 90th percentile of their absolute values (1.645 σ
/// of a normal distribution), at most 1/√3 of channels without any correlation.
fn unit(values: &[f32]) -> f32 {
    let mut picked: Vec<f32> = values
        .iter()
        .step_by(5)
        .filter(|v| **v != 0.0)
        .map(|v| v.abs())
        .collect();
    if picked.is_empty() {
        return 0.0;
    }
    let at = picked.len() * 9 / 10;
    let (_, q, _) = picked.select_nth_unstable_by(at, f32::total_cmp);
    1.645 / q.max(1.645)
}

/// Strong pixels, and weak ones that touch them, three pixels far.
fn grow(score: &[f32], width: usize, settings: &RejectSettings) -> Vec<bool> {
    let height = score.len() / width;
    let mut flags: Vec<bool> = score.iter().map(|s| *s >= settings.strong_sigma).collect();
    let mut front: Vec<usize> = (0..flags.len()).filter(|p| flags[*p]).collect();
    for _ in 0..3 {
        let mut next = Vec::new();
        for p in front {
            let (x, y) = (p % width, p / width);
            for ny in y.saturating_sub(1)..(y + 2).min(height) {
                for nx in x.saturating_sub(1)..(x + 2).min(width) {
                    let q = ny * width + nx;
                    if !flags[q] && score[q] >= settings.weak_sigma {
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
    for (p, n) in count.iter().enumerate() {
        let allowed = if *n == 2 {
            1
        } else {
            usize::from(n.saturating_sub(1)) / 2
        };
        let mut out: Vec<usize> = Vec::new();
        out.extend((0..flags.len()).filter(|l| flags[*l][p]));
        if out.len() > allowed {
            out.sort_by(|a, b| scores[*b][p].total_cmp(&scores[*a][p]));
            out[allowed..].iter().for_each(|l| flags[*l][p] = false);
        }
    }
}
