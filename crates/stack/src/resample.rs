//! The Lanczos-3 kernel (Duchon 1979; Turkowski 1990) on a patch of a source.
//!
//! A plain Lanczos kernel rings: its negative lobes draw a dark circle round every star. Here the
//! value never falls below the smallest of the 4 × 4 pixels round the point.

use std::sync::OnceLock;

use crate::source::Block;
use crate::warp::supported;

/// Sub-pixel phases in the table: the nearest one is at most 1/2048 px off.
const PHASES: usize = 1024;

/// A piece of a source in memory, and the size of the whole.
pub(crate) struct Patch<'a> {
    /// The block's rows, then at least 8 values more.
    pub(crate) data: &'a [f32],
    pub(crate) block: Block,
    pub(crate) size: (usize, usize),
}

/// The table of weights.
pub(crate) struct Kernel {
    weights: Vec<[f32; 8]>,
}

impl Kernel {
    pub(crate) fn get() -> &'static Self {
        static KERNEL: OnceLock<Kernel> = OnceLock::new();
        KERNEL.get_or_init(Self::new)
    }

    fn new() -> Self {
        Self {
            weights: (0..=PHASES).map(|k| weights(k as f64 / PHASES as f64)).collect(),
        }
    }

    /// Values at (xs, ys) in whole-source pixels into `out`; NaN without full support.
    pub(crate) fn row(&self, patch: &Patch, xs: &[f32], ys: &[f32], out: &mut [f32]) {
        self.row_inner(patch, xs, ys, out);
    }

    #[inline(always)]
    fn row_inner(&self, patch: &Patch, xs: &[f32], ys: &[f32], out: &mut [f32]) {
        let (w, h) = patch.size;
        for ((x, y), o) in xs.iter().zip(ys).zip(out) {
            *o = if supported((*x, *y), w, h) {
                self.at(patch, *x, *y)
            } else {
                f32::NAN
            };
        }
    }

    #[inline(always)]
    fn at(&self, patch: &Patch, x: f32, y: f32) -> f32 {
        let (ix, iy) = (x as usize, y as usize);
        let wx = &self.weights[((x - ix as f32) * PHASES as f32 + 0.5) as usize];
        let wy = &self.weights[((y - iy as f32) * PHASES as f32 + 0.5) as usize];
        let stride = patch.block.width;
        let first = (iy - 2 - patch.block.y0) * stride + ix - 2 - patch.block.x0;
        let mut sum = [0.0f32; 8];
        let mut low = [f32::INFINITY; 8];
        for j in 0..6 {
            let row: &[f32; 8] = patch.data[first + j * stride..][..8]
                .try_into()
                .unwrap_or(&[0.0; 8]);
            for k in 0..8 {
                sum[k] += row[k] * wy[j];
            }
            if (1..5).contains(&j) {
                for k in 0..8 {
                    low[k] = low[k].min(row[k]);
                }
            }
        }
        let mut value = 0.0;
        for k in 0..8 {
            value += sum[k] * wx[k];
        }
        value.max(low[1].min(low[2]).min(low[3].min(low[4])))
    }
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
        if x.abs() < 1e-12 {
            1.0
        } else {
            (std::f64::consts::PI * x).sin() / (std::f64::consts::PI * x)
        }
    };
    if x.abs() < 3.0 {
        sinc(x) * sinc(x / 3.0)
    } else {
        0.0
    }
}
