//! How noisy a picture is, tile by tile, stars left out.

use nightloom_raster::Plane;

use crate::pixels::{Mean, scatter};

/// Side of the tiles in which noise is looked at.
pub(crate) const TILE_PX: usize = 256;
/// How far apart the pixels or blocks are whose values are set against each other: farther than
/// demosaicing and resampling reach.
const LAG_PX: usize = 16;
/// Fewer values than this tell nothing of a tile.
const LEAST: usize = 40;

/// Mean coverage, of the frames in the stack, from which a place counts as covered by all: a little is lost
/// to rejection.
pub(crate) const COVERED: f64 = 0.97;
/// The same for a single pixel, which may have lost two frames of ten.
const COVERED_PIXEL: f32 = 0.75;

/// Which pixels show plain sky under all frames.
pub(crate) struct Clear {
    width: usize,
    height: usize,
    good: Vec<bool>,
}

impl Clear {
    /// What `frames` frames cover, rejected pixels apart.
    pub(crate) fn covered(coverage: &Plane, frames: usize) -> Self {
        let (width, height) = (coverage.width(), coverage.height());
        let all = frames as f32;
        let mut clear = Self {
            width,
            height,
            good: coverage
                .data()
                .iter()
                .map(|n| *n >= COVERED_PIXEL * all)
                .collect(),
        };
        for [x0, y0] in clear.tiles() {
            let rows = (y0..y0 + TILE_PX).map(|y| &coverage.row(y)[x0..x0 + TILE_PX]);
            let mut mean = Mean::default();
            for n in rows.flatten().filter(|n| **n >= COVERED_PIXEL * all) {
                mean.add(f64::from(*n));
            }
            if mean.mean() < COVERED * f64::from(all) {
                for y in y0..y0 + TILE_PX {
                    clear.good[y * width + x0..][..TILE_PX].fill(false);
                }
            }
        }
        clear
    }

    /// What is clear in both.
    pub(crate) fn and(mut self, other: &Self) -> Self {
        self.good.iter_mut().zip(&other.good).for_each(|(a, b)| *a &= b);
        self
    }

    /// Takes out a disc.
    pub(crate) fn without(&mut self, [x, y]: [f64; 2], radius: f64) {
        let low = |c: f64| (c - radius).max(0.0) as usize;
        for v in low(y)..((y + radius + 1.0).max(0.0) as usize).min(self.height) {
            for u in low(x)..((x + radius + 1.0).max(0.0) as usize).min(self.width) {
                if (u as f64 - x).hypot(v as f64 - y) <= radius {
                    self.good[v * self.width + u] = false;
                }
            }
        }
    }

    /// Where tiles begin.
    pub(crate) fn tiles(&self) -> Vec<[usize; 2]> {
        let starts = |length: usize| (0..length / TILE_PX).map(|i| i * TILE_PX);
        let rows = starts(self.height);
        rows.flat_map(|y| starts(self.width).map(move |x| [x, y]))
            .collect()
    }

    /// Means of blocks of `side` × `side` pixels of a tile, NaN where any pixel is not clear.
    fn blocks(&self, plane: &Plane, [x0, y0]: [usize; 2], side: usize) -> Vec<f32> {
        let n = TILE_PX / side;
        let block = |k: usize| {
            let (left, top) = (x0 + k % n * side, y0 + k / n * side);
            let mut sum = 0.0;
            for y in top..top + side {
                let clear = &self.good[y * self.width + left..][..side];
                if !clear.iter().all(|c| *c) {
                    return f32::NAN;
                }
                sum += plane.row(y)[left..left + side].iter().sum::<f32>();
            }
            sum / (side * side) as f32
        };
        (0..n * n).map(block).collect()
    }

    /// σ of the means of blocks of `side` × `side` pixels (1: of single pixels) in a tile, from the
    /// median absolute deviation of each from the mean of those 16 px to its left and right: what
    /// changes slowly over the sky drops out.
    pub(crate) fn noise(&self, plane: &Plane, tile: [usize; 2], side: usize) -> Option<f64> {
        let (n, lag) = (TILE_PX / side, LAG_PX / side);
        let blocks = self.blocks(plane, tile, side);
        let differences = blocks
            .chunks_exact(n)
            .flat_map(|row| (lag..n - lag).map(move |i| row[i] - 0.5 * (row[i - lag] + row[i + lag])));
        let mut differences = finite(differences);
        (differences.len() >= LEAST).then(|| scatter(&mut differences) / 1.5f64.sqrt())
    }
}

fn finite(values: impl Iterator<Item = f32>) -> Vec<f64> {
    values.filter(|v| v.is_finite()).map(f64::from).collect()
}
