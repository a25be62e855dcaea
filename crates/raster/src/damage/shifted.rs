//! Rows moved sideways: from some row on, what a row holds belongs elsewhere in it, and what left on one side came in
//! again on the other.
//!
//! The means of eight rows of each parity on either side of a boundary are compared in bins of four pixels of one filter,
//! less what the rows farther away let expect. A star, a ridge or noise changes few bins; a shift changes many, and moving
//! the lower rows back leaves none. Both must be so, in a place whose surroundings go on from row to row.

use super::{Damage, DamageKind, Sample, Stored};

/// Pixels of one filter in a bin.
const BIN: usize = 4;
/// Rows of one parity that are averaged on either side of a boundary.
const BAND: usize = 8;
/// A bin changes when it differs by so many sigma.
const SIGMA: f32 = 4.0;
/// Variance of the mean of a band's rows, extrapolated by half a band: 2 × (1.5² + 0.5²).
const EXTRAPOLATED: f32 = 5.0;
/// The part of bins that must change at a boundary …
const CHANGED: f32 = 0.25;
/// … and how many times more than around it.
const OVER_USUAL: f32 = 4.0;
/// The part that may be left when the lower rows are moved back, or what is usual there; in any case no more than so much of
/// what changes. Patches of snow left a fifth.
const LEFT: f32 = 0.05;
const LEFT_OF_CHANGED: f32 = 1.0 / 8.0;
/// Boundaries that are looked at closely.
const LOOKED_AT: usize = 6;
/// Fewer bins in a row say nothing.
const LEAST_BINS: usize = 24;
/// A number stored as a whole one is off by so much, as a variance.
const ROUNDING: f32 = 1.0 / 12.0;

/// Rows of both parities, binned.
struct Binned {
    /// Values of one pair of rows: two parities of rows, then bins, then two parities of columns.
    length: usize,
    pairs: Vec<f32>,
    count: usize,
}

pub(super) fn find<T: Sample>(stored: &Stored, values: &[T]) -> Vec<Damage> {
    let (width, pairs) = (stored.width, values.len() / stored.width.max(1) / 2);
    let bins = width / (2 * BIN);
    if !stored.bayer || stored.bits != 16 || bins < LEAST_BINS || pairs < 8 * BAND {
        return Vec::new();
    }
    let binned = Binned::of(width, pairs, values);
    let part = binned.parts_changed();
    let mut boundaries: Vec<usize> = Vec::new();
    let mut order: Vec<usize> = (0..part.len()).filter(|i| part[*i] >= CHANGED).collect();
    order.sort_by(|a, b| part[*b].total_cmp(&part[*a]));
    let mut looked_at: Vec<usize> = Vec::new();
    for i in order {
        if looked_at.len() == LOOKED_AT {
            break;
        }
        if looked_at.iter().any(|j| i.abs_diff(*j) < 2 * BAND) {
            continue;
        }
        looked_at.push(i);
        let usual = usual(&part, i);
        if part[i] >= OVER_USUAL * usual {
            let left = LEFT.max(usual).min(LEFT_OF_CHANGED * part[i]);
            let pair = i + 2 * BAND;
            boundaries.extend(is_shift(&binned, width, values, pair, left).then_some(2 * pair));
        }
    }
    boundaries.sort_unstable();
    // Shifted back later, or never.
    let last = values.len() / width - 1;
    let damage = |b: &[usize]| Damage {
        rows: [b[0], b.get(1).map_or(last, |second| second - 1)],
        kind: DamageKind::Shifted,
    };
    boundaries.chunks(2).map(damage).collect()
}

/// What part of the bins changes around a boundary, outside the rows that it concerns.
fn usual(part: &[f32], i: usize) -> f32 {
    let (near, far) = (2 * BAND + 1, 6 * BAND);
    let before = &part[i.saturating_sub(far)..(i + 1).saturating_sub(near)];
    let after = &part[(i + near).min(part.len())..(i + far).min(part.len())];
    let mut around = [before, after].concat();
    around.sort_by(f32::total_cmp);
    around.get(around.len() / 2).copied().unwrap_or(1.0)
}

impl Binned {
    fn of<T: Sample>(width: usize, count: usize, values: &[T]) -> Self {
        let bins = width / (2 * BIN);
        let length = 4 * bins;
        let mut pairs = vec![0.0; length * count];
        for (pair, out) in pairs.chunks_exact_mut(length).enumerate() {
            for (parity, out) in out.chunks_exact_mut(2 * bins).enumerate() {
                let start = (2 * pair + parity) * width;
                bin(&mut values[start..start + width].iter().map(|v| v.value()), out);
            }
        }
        Self { length, pairs, count }
    }

    fn pair(&self, y: usize) -> &[f32] {
        &self.pairs[y * self.length..(y + 1) * self.length]
    }

    /// For each boundary that has two bands on either side: the part of bins that change there.
    fn parts_changed(&self) -> Vec<f32> {
        let mut slide = Slide::at_first(self);
        let mut parts = vec![slide.part()];
        for y in 2 * BAND..self.count - 2 * BAND {
            slide.step(self, y);
            parts.push(slide.part());
        }
        parts
    }

    /// Mean of the rows of a band.
    fn band(&self, from: usize) -> Vec<f32> {
        let mut sum = vec![0.0; self.length];
        (from..from + BAND).for_each(|y| add(&mut sum, self.pair(y), 1.0));
        sum.iter().map(|s| (s / BAND as f64) as f32).collect()
    }

    /// Squared differences from row to row within the bands about a boundary, summed.
    fn spread(&self, y: usize) -> Vec<f64> {
        let mut sum = vec![0.0; self.length];
        let inside = (y - 2 * BAND..y - 1).chain(y..y + 2 * BAND - 1);
        inside.for_each(|row| self.add_difference(&mut sum, row, 1.0));
        sum
    }

    fn add_difference(&self, sum: &mut [f64], row: usize, times: f64) {
        let pairs = self.pair(row).iter().zip(self.pair(row + 1));
        sum.iter_mut()
            .zip(pairs)
            .for_each(|(s, (a, b))| *s += times * f64::from(a - b).powi(2));
    }
}

fn add(sum: &mut [f64], row: &[f32], times: f64) {
    sum.iter_mut()
        .zip(row)
        .for_each(|(s, v)| *s += times * f64::from(*v));
}

/// How far two extrapolated bands of one light are apart by chance.
fn sigma(spread: &[f64]) -> Vec<f32> {
    // A difference has twice the variance of one.
    let count = (2 * (2 * BAND - 1) * 2) as f64;
    let mut variance: Vec<f32> = spread.iter().map(|s| (s / count) as f32).collect();
    let half = variance.len() / 2;
    for parity in variance.chunks_exact_mut(half) {
        let mut sorted = parity.to_vec();
        let (_, middle, _) = sorted.select_nth_unstable_by(half / 2, f32::total_cmp);
        let least = middle.max(ROUNDING / BIN as f32);
        parity.iter_mut().for_each(|v| *v = v.max(least));
    }
    variance
        .iter_mut()
        .for_each(|v| *v = (EXTRAPOLATED * *v / BAND as f32).sqrt());
    variance
}

/// The four bands about a boundary, two on either side, and their spread, moved down row by row.
struct Slide {
    bands: [Vec<f64>; 4],
    spread: Vec<f64>,
}

impl Slide {
    fn at_first(binned: &Binned) -> Self {
        let band = |k: usize| {
            let mut sum = vec![0.0; binned.length];
            (k * BAND..(k + 1) * BAND).for_each(|y| add(&mut sum, binned.pair(y), 1.0));
            sum
        };
        Self {
            bands: std::array::from_fn(band),
            spread: binned.spread(2 * BAND),
        }
    }

    /// From the boundary before pair `y` to the next.
    fn step(&mut self, binned: &Binned, y: usize) {
        for (k, sum) in self.bands.iter_mut().enumerate() {
            let first = y + k * BAND - 2 * BAND;
            add(sum, binned.pair(first), -1.0);
            add(sum, binned.pair(first + BAND), 1.0);
        }
        for (row, times) in [
            (y - 2 * BAND, -1.0),
            (y - 1, 1.0),
            (y, -1.0),
            (y + 2 * BAND - 1, 1.0),
        ] {
            binned.add_difference(&mut self.spread, row, times);
        }
    }

    fn part(&self) -> f32 {
        let mean =
            |k: usize| -> Vec<f32> { self.bands[k].iter().map(|s| (s / BAND as f64) as f32).collect() };
        let above = extrapolated(&mean(1), &mean(0));
        let below = extrapolated(&mean(2), &mean(3));
        part_other(&above, &below, &sigma(&self.spread))
    }
}

/// Means of `BIN` pixels of each column parity.
fn bin(row: &mut impl Iterator<Item = f32>, out: &mut [f32]) {
    for bin in out.chunks_exact_mut(2) {
        let mut sum = [0.0; 2];
        for _ in 0..BIN {
            sum.iter_mut().for_each(|s| *s += row.next().unwrap_or_default());
        }
        bin.copy_from_slice(&sum.map(|s| s / BIN as f32));
    }
}

/// The light half a band before `near`, by it and the band behind it.
fn extrapolated(near: &[f32], behind: &[f32]) -> Vec<f32> {
    near.iter().zip(behind).map(|(n, b)| 1.5 * n - 0.5 * b).collect()
}

fn part_other(above: &[f32], below: &[f32], sigma: &[f32]) -> f32 {
    let other = above.iter().zip(below).zip(sigma);
    let count = other.filter(|((a, b), s)| (*a - *b).abs() > SIGMA * **s).count();
    count as f32 / above.len() as f32
}

/// Whether rows below a boundary go on from those above it once they are moved sideways.
fn is_shift<T: Sample>(binned: &Binned, width: usize, values: &[T], pair: usize, left: f32) -> bool {
    let sigma = sigma(&binned.spread(pair));
    let above = extrapolated(&binned.band(pair - BAND), &binned.band(pair - 2 * BAND));
    let below: [Vec<f32>; 2] = std::array::from_fn(|parity| {
        let band = |from: usize| -> Vec<f32> {
            let mut sum = vec![0.0; width];
            for y in from..from + BAND {
                let start = (2 * y + parity) * width;
                let row = &values[start..start + width];
                sum.iter_mut().zip(row).for_each(|(s, v)| *s += v.value());
            }
            sum.iter_mut().for_each(|s| *s /= BAND as f32);
            sum
        };
        extrapolated(&band(pair), &band(pair + BAND))
    });
    let half = binned.length / 2;
    let mut moved = vec![0.0; binned.length];
    (1..width).any(|by| {
        for (row, out) in below.iter().zip(moved.chunks_exact_mut(half)) {
            bin(&mut row[by..].iter().chain(&row[..by]).copied(), out);
        }
        part_other(&above, &moved, &sigma) <= left
    })
}
