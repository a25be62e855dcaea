//! The Lanczos-3 kernel (Duchon 1979; Turkowski 1990) on a patch of a source.
//!
//! A plain Lanczos kernel rings: its negative lobes draw a dark circle round every sharp star. Here
//! no value falls below the smallest of the 4 × 4 pixels round its point; what that adds is taken
//! from the brighter pixels near by, so that the star's flux is that of the plain kernel.
//!
//! Within three pixels of the source's border the kernel sees the source mirrored at that border.

use std::sync::OnceLock;

/// Sub-pixel phases in the table: the nearest one is at most 1/2048 px off.
const PHASES: usize = 1024;
/// How far from a ring its star may be: the kernel's reach.
const RING: usize = 3;

/// A piece of some planes of a source in memory, and the size of the whole.
pub(crate) struct Patch<'a, const N: usize> {
    /// Of each plane rows of `width` values, then at least 8 values more.
    pub(crate) data: [&'a [f32]; N],
    pub(crate) width: usize,
    /// Where in the source the first value lies; mirrored pixels have coordinates beyond it.
    pub(crate) origin: (i32, i32),
    pub(crate) size: (usize, usize),
}

/// A part of a plane, row by row.
#[derive(Clone, Copy, Debug)]
pub struct TurnedFrom<'a> {
    /// Its values.
    pub values: &'a [f32],
    /// Where in the picture its first one lies.
    pub first: [usize; 2],
    /// Values in a row.
    pub width: usize,
}

/// The table of weights.
pub(crate) struct Kernel {
    weights: Vec<[f32; 8]>,
}

impl Kernel {
    pub(crate) fn get() -> &'static Self {
        static KERNEL: OnceLock<Kernel> = OnceLock::new();
        KERNEL.get_or_init(|| Self {
            weights: (0..=PHASES).map(|k| weights(k as f64 / PHASES as f64)).collect(),
        })
    }

    /// Values of each plane at (xs, ys) in whole-source pixels into `out`, NaN beside the source; and into
    /// `added` by how much each was lifted above the plain kernel's value.
    pub(crate) fn row<const N: usize>(
        &self,
        patch: &Patch<N>,
        (xs, ys): (&[f32], &[f32]),
        out: [&mut [f32]; N],
        added: [&mut [f32]; N],
    ) {
        let (w, h) = patch.size;
        for (k, (x, y)) in xs.iter().zip(ys).enumerate() {
            let place = supported((*x, *y), w, h).then(|| self.place(patch, *x, *y));
            for c in 0..N {
                let found = place.as_ref().map(|place| at(patch.data[c], patch.width, place));
                (out[c][k], added[c][k]) = lifted(found);
            }
        }
    }

    /// Weights and first pixel for a supported point.
    #[inline]
    pub(crate) fn place<const N: usize>(&self, patch: &Patch<N>, x: f32, y: f32) -> Place<'_> {
        let (ix, iy) = (floor(x), floor(y));
        let (column, row) = (ix - 2 - patch.origin.0, iy - 2 - patch.origin.1);
        Place {
            wx: &self.weights[((x - ix as f32) * PHASES as f32 + 0.5) as usize],
            wy: &self.weights[((y - iy as f32) * PHASES as f32 + 0.5) as usize],
            first: row as usize * patch.width + column as usize,
        }
    }
}

/// The whole number at or under a small one: a conversion and a comparison, no call.
#[inline]
pub(crate) fn floor(x: f32) -> i32 {
    let towards_zero = x as i32;
    towards_zero - i32::from(x < towards_zero as f32)
}

/// Where in a patch the 6 × 6 pixels of a point begin, and their weights.
pub(crate) struct Place<'a> {
    pub(crate) wx: &'a [f32; 8],
    pub(crate) wy: &'a [f32; 8],
    pub(crate) first: usize,
}

/// A value that is not below the least of the pixels round it, and what that added; not a number where there is none.
#[inline]
pub(crate) fn lifted(found: Option<(f32, f32)>) -> (f32, f32) {
    match found {
        Some((plain, low)) if plain < low => (low, low - plain),
        Some((plain, _)) => (plain, 0.0),
        None => (f32::NAN, 0.0),
    }
}

/// The plain kernel's value and the least of the 4 × 4 pixels round the point.
fn at(data: &[f32], stride: usize, place: &Place) -> (f32, f32) {
    let mut sum = [0.0f32; 8];
    let mut low = [f32::INFINITY; 8];
    for (j, weight) in place.wy.iter().take(6).enumerate() {
        let row = &data[place.first + j * stride..][..8];
        sum.iter_mut().zip(row).for_each(|(s, v)| *s += v * weight);
        if (1..5).contains(&j) {
            low.iter_mut()
                .zip(row)
                .for_each(|(l, v)| *l = if v < l { *v } else { *l });
        }
    }
    let value = sum.iter().zip(place.wx).map(|(s, w)| s * w).sum();
    (value, low[1].min(low[2]).min(low[3].min(low[4])))
}

/// The kernel's value at a place, or the least of the 4 × 4 pixels round it where that is more. Beyond the border the border's
/// values hold.
pub(crate) fn lowest_and_plain(kernel: &Kernel, from: &TurnedFrom<'_>, [x, y]: [f64; 2]) -> f32 {
    let (ix, iy) = (x.floor(), y.floor());
    let phase = |t: f64| &kernel.weights[(t * PHASES as f64 + 0.5) as usize];
    let (wx, wy) = (phase(x - ix), phase(y - iy));
    let height = (from.values.len() / from.width.max(1)) as i64;
    let (column, row) = (
        ix as i64 - 2 - from.first[0] as i64,
        iy as i64 - 2 - from.first[1] as i64,
    );
    let (mut value, mut low) = (0.0f32, f32::INFINITY);
    for (j, w) in (0..6).zip(wy) {
        let start = (row + j).clamp(0, height - 1) as usize * from.width;
        let line = &from.values[start..start + from.width];
        let taps: [f32; 6] = match usize::try_from(column) {
            Ok(first) if first + 6 <= from.width => std::array::from_fn(|i| line[first + i]),
            _ => std::array::from_fn(|i| line[(column + i as i64).clamp(0, from.width as i64 - 1) as usize]),
        };
        value += w * taps.iter().zip(wx).map(|(v, w)| v * w).sum::<f32>();
        if (1..5).contains(&j) {
            low = taps[1..5].iter().fold(low, |l, v| l.min(*v));
        }
    }
    value.max(low)
}

/// Takes what was added in the dark rings from the brighter pixels within three, each in
/// proportion to the square of what it stands above the ring.
pub(crate) fn pay_back(values: &mut [f32], added: &[f32], width: usize) {
    let width = width.max(1);
    let height = values.len() / width;
    let mut owed = vec![0.0f32; values.len()];
    for (p, amount) in added.iter().enumerate().filter(|(_, a)| **a > 0.0) {
        let (x, y) = (p % width, p / width);
        let columns = x.saturating_sub(RING)..(x + RING + 1).min(width);
        let rows = y.saturating_sub(RING)..(y + RING + 1).min(height);
        let level = values[p];
        // Not a number is not greater than anything, so uncovered pixels weigh nothing.
        let share = |v: f32| if v > level { (v - level) * (v - level) } else { 0.0 };
        let run = |row: usize| row * width + columns.start..row * width + columns.end;
        let sum_of = |row: usize| values[run(row)].iter().map(|v| share(*v)).sum::<f32>();
        let total: f32 = rows.clone().map(sum_of).sum();
        if total > 0.0 {
            let part = amount / total;
            for row in rows {
                let pairs = owed[run(row)].iter_mut().zip(&values[run(row)]);
                pairs.for_each(|(o, v)| *o += part * share(*v));
            }
        }
    }
    values.iter_mut().zip(owed).for_each(|(v, o)| *v -= o);
}

/// Weights of the pixels −2 … 3 for a point at t in [0, 1], summing to 1; two zeros pad to eight.
fn weights(t: f64) -> [f32; 8] {
    let raw: [f64; 6] = std::array::from_fn(|k| lanczos3(k as f64 - 2.0 - t));
    let sum: f64 = raw.iter().sum();
    std::array::from_fn(|k| raw.get(k).map_or(0.0, |w| (w / sum) as f32))
}

/// sinc(x) sinc(x/3) for |x| < 3.
fn lanczos3(x: f64) -> f64 {
    let sinc = |x: f64| {
        let px = std::f64::consts::PI * x;
        if px.abs() < 1e-12 { 1.0 } else { px.sin() / px }
    };
    if x.abs() < 3.0 {
        sinc(x) * sinc(x / 3.0)
    } else {
        0.0
    }
}

/// Whether a point lies on a pixel of the source.
#[inline]
pub(crate) fn supported((x, y): (f32, f32), width: usize, height: usize) -> bool {
    x >= -0.5 && y >= -0.5 && x < width as f32 - 0.5 && y < height as f32 - 0.5
}
