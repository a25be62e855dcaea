//! Both frames made comparable: smaller, band-passed, held within bounds.

use nightloom_raster::Plane;
use rayon::prelude::*;

use crate::blur::blurred;
use nightloom_fit::{SIGMA_PER_MAD, median as median_of};

/// The finest level's longer side is at most about this: of a larger frame several pixels are averaged,
/// which costs nothing where noise rules.
const LONGEST_PX: usize = 3000;
/// The coarsest level's shorter side.
const SHORTEST_PX: usize = 96;
/// σ of the two Gaussians whose difference is the band, pixels of the level: the first lets a
/// gradient be taken from noisy pixels, the second takes glow and fall-off away.
const BAND_PX: [f32; 2] = [1.0, 5.0];
/// Values are held within so many σ of their block.
const HOLD: f32 = 3.0;
/// A block's side: a share of the longer side, within bounds, pixels of the level.
const BLOCKS_ACROSS: usize = 32;
const SIDE_PX: (usize, usize) = (16, 64);
/// What a block counts for that is not thought to be land.
const NO_LAND: f64 = 0.25;

/// Both frames at one scale.
pub(crate) struct Level {
    pub(crate) a: Plane,
    pub(crate) b: Plane,
    /// Pixels of the frame that one here stands for, along a side.
    pub(crate) scale: usize,
    /// Side of a block.
    pub(crate) side: usize,
    pub(crate) columns: usize,
    pub(crate) rows: usize,
    /// What each block counts for, row after row.
    pub(crate) prior: Vec<f64>,
}

impl Level {
    /// The first pixel of block `k`; one pixel is left round all blocks.
    pub(crate) fn corner(&self, k: usize) -> [usize; 2] {
        [1 + k % self.columns * self.side, 1 + k / self.columns * self.side]
    }

    fn new(a: &Plane, b: &Plane, scale: usize, land: &(dyn Fn(usize, usize) -> bool + Sync)) -> Option<Self> {
        let (w, h) = (a.width(), a.height());
        let side = (w.max(h) / BLOCKS_ACROSS).clamp(SIDE_PX.0, SIDE_PX.1);
        let (columns, rows) = (w.checked_sub(2)? / side, h.checked_sub(2)? / side);
        let mut level = Self {
            a: band(a),
            b: band(b),
            scale,
            side,
            columns,
            rows,
            prior: Vec::new(),
        };
        level.prior = (0..columns * rows).map(|k| level.prior_of(k, land)).collect();
        level.hold();
        (columns * rows > 0).then_some(level)
    }

    fn prior_of(&self, k: usize, land: &(dyn Fn(usize, usize) -> bool + Sync)) -> f64 {
        const PROBES: usize = 4;
        let [x0, y0] = self.corner(k);
        let probe = |i: usize| (2 * i + 1) * self.side / (2 * PROBES);
        let hits = (0..PROBES * PROBES).filter(|i| {
            let (x, y) = (x0 + probe(i % PROBES), y0 + probe(i / PROBES));
            land(x * self.scale + self.scale / 2, y * self.scale + self.scale / 2)
        });
        let share = hits.count() as f64 / (PROBES * PROBES) as f64;
        NO_LAND + (1.0 - NO_LAND) * share
    }

    /// Holds the values within bounds that both frames share.
    fn hold(&mut self) {
        let limits: Vec<f32> = (0..self.columns * self.rows)
            .into_par_iter()
            .map(|k| HOLD * 0.5 * (self.spread(&self.a, k) + self.spread(&self.b, k)))
            .collect();
        for plane in [&mut self.a, &mut self.b] {
            let width = plane.width();
            for (i, v) in plane.data_mut().iter_mut().enumerate() {
                let column = (i % width).saturating_sub(1) / self.side;
                let row = (i / width).saturating_sub(1) / self.side;
                let k = row.min(self.rows - 1) * self.columns + column.min(self.columns - 1);
                *v = v.clamp(-limits[k], limits[k]);
            }
        }
    }

    fn spread(&self, plane: &Plane, k: usize) -> f32 {
        let [x0, y0] = self.corner(k);
        let rows = (y0..y0 + self.side).step_by(2);
        let mut values: Vec<f32> = rows
            .flat_map(|y| &plane.row(y)[x0..x0 + self.side])
            .map(|v| v.abs())
            .collect();
        SIGMA_PER_MAD as f32 * median_of(&mut values).unwrap_or(0.0)
    }
}

/// The frames at ever coarser scales, the finest first.
pub(crate) fn pyramid(a: &Plane, b: &Plane, land: &(dyn Fn(usize, usize) -> bool + Sync)) -> Vec<Level> {
    let mut scale = a.width().max(a.height()).div_ceil(LONGEST_PX).max(1);
    let (mut small_a, mut small_b) = (binned(a, scale), binned(b, scale));
    let mut levels = Vec::new();
    loop {
        levels.extend(Level::new(&small_a, &small_b, scale, land));
        if small_a.width().min(small_a.height()) < 2 * SHORTEST_PX {
            return levels;
        }
        (small_a, small_b, scale) = (binned(&small_a, 2), binned(&small_b, 2), 2 * scale);
    }
}

/// Means of `n` × `n` pixels; what is no number counts as 0.
fn binned(plane: &Plane, n: usize) -> Plane {
    let share = 1.0 / (n * n) as f32;
    Plane::from_fn(plane.width() / n, plane.height() / n, |x, y| {
        let rows = (y * n..(y + 1) * n).flat_map(|row| &plane.row(row)[x * n..(x + 1) * n]);
        rows.map(|v| if v.is_finite() { *v } else { 0.0 }).sum::<f32>() * share
    })
}

fn band(plane: &Plane) -> Plane {
    let [mut fine, coarse] = BAND_PX.map(|sigma| blurred(plane, sigma));
    fine.data_mut()
        .iter_mut()
        .zip(coarse.data())
        .for_each(|(f, c)| *f -= c);
    fine
}
