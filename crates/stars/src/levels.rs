//! Level and noise of many values at once, by a histogram instead of sorting.

use nightloom_fit::quantile_sorted;

/// Bins for one standard deviation.
const PER_SIGMA: f32 = 16.0;
/// Standard deviations on either side that the histogram covers.
const REACH: f32 = 8.0;
const BINS: usize = 256;
/// Values that a first look takes.
const FIRST: usize = 120;

/// Clips about the median until nothing more falls away, as [`clipped`] does, from rows of values
/// of which every `stride`th counts. Values that are not finite are left out.
///
/// Level and noise are within a hundredth of a standard deviation of the sorted values' own.
pub(crate) fn clipped_rows<'a>(
    rows: impl Iterator<Item = &'a [f32]> + Clone,
    stride: usize,
    clip_sigma: f32,
    buffer: &mut Vec<f32>,
) -> Option<CellStats> {
    let total: usize = rows.clone().map(|r| r.len().div_ceil(stride)).sum();
    let skip = (total / FIRST).max(1);
    let mut sample = Vec::with_capacity(FIRST + 8);
    // Steps that share no factor with the rows' lengths would cost more than they bring.
    let mut at = skip / 2;
    for row in rows.clone() {
        while at < row.len().div_ceil(stride) {
            sample.push(row[at * stride]);
            at += skip;
        }
        at -= row.len().div_ceil(stride);
    }
    sample.retain(|v| v.is_finite());
    sample.sort_unstable_by(f32::total_cmp);
    let n = sample.len();
    let sigma = if n >= 64 {
        (sample[3 * n / 4] - sample[n / 4]) / 1.349
    } else {
        0.0
    };
    let middle = if n > 0 { sample[n / 2] } else { 0.0 };
    if !(sigma > 1e-6 * middle.abs() && sigma.is_finite()) {
        buffer.clear();
        for row in rows {
            buffer.extend(row.iter().step_by(stride).filter(|v| v.is_finite()));
        }
        return clipped(buffer, clip_sigma);
    }
    let histogram = Histogram::of(rows, stride, middle - REACH * sigma, PER_SIGMA / sigma);
    histogram.clip(clip_sigma)
}

/// Median and clipped standard deviation of a few values, (0, 0) of none. The median is that of all.
pub(crate) fn few(values: &mut [f32], clip_sigma: f32) -> (f32, f32) {
    if values.is_empty() {
        return (0.0, 0.0);
    }
    let n = values.len();
    let (below, upper, _) = values.select_nth_unstable_by(n / 2, f32::total_cmp);
    let median = if n % 2 == 1 {
        *upper
    } else {
        0.5 * (*upper + below.iter().copied().fold(f32::NEG_INFINITY, f32::max))
    };
    let (mut reach, mut before, mut sigma) = (f32::INFINITY, 0.0, 0.0);
    // The reach only shrinks, so the count only falls: there are no more rounds than values.
    loop {
        let [n, s, q] = within(values, median, reach);
        if n == before || n < 8.0 {
            return (median, sigma);
        }
        let mean = s / n;
        sigma = (q / n - mean * mean).max(0.0).sqrt();
        (before, reach) = (n, reach.min(clip_sigma * sigma));
    }
}

/// Number, sum and sum of squares of the departures from `middle` no greater than `reach`.
fn within(values: &[f32], middle: f32, reach: f32) -> [f32; 3] {
    const LANES: usize = 8;
    // Sums side by side, which a processor adds up together.
    let mut sums = [[0.0f32; LANES]; 3];
    let mut add = |lane: usize, value: f32| {
        let d = value - middle;
        let (inside, d) = if d.abs() <= reach { (1.0, d) } else { (0.0, 0.0) };
        sums[0][lane] += inside;
        sums[1][lane] += d;
        sums[2][lane] += d * d;
    };
    let (lines, rest) = values.as_chunks::<LANES>();
    for line in lines {
        for (lane, value) in line.iter().enumerate() {
            add(lane, *value);
        }
    }
    for (lane, value) in rest.iter().enumerate() {
        add(lane, *value);
    }
    sums.map(|lanes| lanes.iter().sum())
}

struct Histogram {
    counts: [u32; BINS],
    low: f32,
    per_unit: f32,
}

impl Histogram {
    fn of<'a>(rows: impl Iterator<Item = &'a [f32]>, stride: usize, low: f32, per_unit: f32) -> Self {
        // Two tables: equal neighbours need not wait for each other.
        let mut counts = [[0u32; BINS]; 2];
        for row in rows {
            let mut put = |table: usize, value: f32| {
                let bin = (value - low) * per_unit;
                if bin >= 0.0 && bin < BINS as f32 {
                    counts[table][bin as usize] += 1;
                }
            };
            if stride == 1 {
                let (pairs, rest) = row.as_chunks::<2>();
                for [a, b] in pairs {
                    put(0, *a);
                    put(1, *b);
                }
                rest.iter().for_each(|v| put(0, *v));
            } else {
                row.iter().step_by(stride).for_each(|v| put(0, *v));
            }
        }
        let [mut sum, other] = counts;
        sum.iter_mut().zip(other).for_each(|(a, b)| *a += b);
        Self {
            counts: sum,
            low,
            per_unit,
        }
    }

    fn clip(&self, clip_sigma: f32) -> Option<CellStats> {
        let (mut from, mut to) = (0, BINS);
        loop {
            let (mean, sigma, median) = self.moments(from, to)?;
            let reach = f64::from(clip_sigma) * sigma;
            // A bin stays in where its middle does.
            let edge = |v: f64| (v - 0.5).ceil().clamp(0.0, BINS as f64) as usize;
            let (new_from, new_to) = (from.max(edge(median - reach)), to.min(edge(median + reach)));
            if (new_from, new_to) == (from, to) || new_to < new_from + 4 {
                let value = |bin: f64| self.low + (bin as f32) / self.per_unit;
                return Some(CellStats {
                    mean: value(mean),
                    median: value(median),
                    sigma: sigma as f32 / self.per_unit,
                });
            }
            (from, to) = (new_from, new_to);
        }
    }

    /// Mean, standard deviation and median in bins; the middle of the first bin is 0.5.
    fn moments(&self, from: usize, to: usize) -> Option<(f64, f64, f64)> {
        let (mut n, mut s, mut q) = (0u64, 0.0, 0.0);
        for (i, count) in self.counts[from..to].iter().enumerate() {
            let x = (from + i) as f64 + 0.5;
            n += u64::from(*count);
            s += x * f64::from(*count);
            q += x * x * f64::from(*count);
        }
        if n == 0 {
            return None;
        }
        let mean = s / n as f64;
        // Sheppard's correction: a bin's own width widens by a twelfth.
        let variance = (q / n as f64 - mean * mean - 1.0 / 12.0).max(0.0);
        let (half, mut below) = (0.5 * n as f64, 0.0);
        let mut median = mean;
        for (i, count) in self.counts[from..to].iter().enumerate() {
            let count = f64::from(*count);
            if count > 0.0 && below + count >= half {
                median = (from + i) as f64 + (half - below) / count;
                break;
            }
            below += count;
        }
        Some((mean, variance.sqrt(), median))
    }
}

/// What clipping left of a cell.
#[derive(Clone, Copy, Debug)]
pub(crate) struct CellStats {
    pub(crate) mean: f32,
    pub(crate) median: f32,
    pub(crate) sigma: f32,
}

impl CellStats {
    pub(crate) fn mode(self) -> f32 {
        if (self.mean - self.median).abs() < 0.3 * self.sigma {
            2.5 * self.median - 1.5 * self.mean
        } else {
            self.median
        }
    }
}

/// Sorts the values and clips both ends about the median until nothing more falls away.
///
/// Sums run over the sorted values, so each round costs two binary searches.
pub(crate) fn clipped(values: &mut [f32], clip_sigma: f32) -> Option<CellStats> {
    if values.is_empty() {
        return None;
    }
    values.sort_unstable_by(f32::total_cmp);
    let middle = f64::from(values[values.len() / 2]);
    let mut sums = Vec::with_capacity(values.len() + 1);
    let (mut s, mut q) = (0.0f64, 0.0f64);
    sums.push((s, q));
    for &v in values.iter() {
        let d = f64::from(v) - middle;
        s += d;
        q += d * d;
        sums.push((s, q));
    }
    let (mut lo, mut hi) = (0, values.len());
    loop {
        let n = (hi - lo) as f64;
        let mean = (sums[hi].0 - sums[lo].0) / n;
        let sigma = ((sums[hi].1 - sums[lo].1) / n - mean * mean).max(0.0).sqrt();
        let median = quantile_sorted(&values[lo..hi], 0.5)?;
        let stats = CellStats {
            mean: (mean + middle) as f32,
            median,
            sigma: sigma as f32,
        };
        let reach = clip_sigma * stats.sigma;
        let new_lo = lo + values[lo..hi].partition_point(|v| *v < median - reach);
        let new_hi = lo + values[lo..hi].partition_point(|v| *v <= median + reach);
        if (new_lo, new_hi) == (lo, hi) || new_hi - new_lo < 8 {
            return Some(stats);
        }
        (lo, hi) = (new_lo, new_hi);
    }
}

#[cfg(test)]
mod tests {
    use super::few;

    /// A million small sets of few different values, where counts are likeliest to alternate, and with values
    /// that are not numbers: each comes to its end, with a finite answer where the values are finite.
    #[test]
    fn every_small_set_comes_to_its_end() {
        let mut state = 1u64;
        let mut draw = |below: u64| {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            (state >> 33) % below
        };
        let mut values = Vec::new();
        for round in 0..1_000_000u32 {
            let n = 1 + draw(40) as usize;
            let kinds = 1 + draw(12);
            values.clear();
            values.extend((0..n).map(|_| {
                let step = draw(kinds) as f32;
                match draw(64) {
                    0 => step * 1e3,
                    1 if round % 16 == 0 => f32::NAN,
                    _ => 0.1 * step * step,
                }
            }));
            let whole = values.iter().all(|v| v.is_finite());
            let clip = [1.0, 1.5, 2.0, 2.5, 3.0][draw(5) as usize];
            let (level, sigma) = few(&mut values, clip);
            assert!(!whole || (level.is_finite() && sigma >= 0.0), "{values:?}");
        }
    }
}
