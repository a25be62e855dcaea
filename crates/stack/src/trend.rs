//! The slow difference of each frame from the middle of all.

use nightloom_fit::median;

use crate::tile::Layer;

/// Side of a cell, pixels: wide enough that a streak is a minority of it.
const CELL: usize = 64;
/// Every so many pixels of a cell, in both directions, are looked at.
const STRIDE: usize = 4;
/// Samples a cell needs.
const ENOUGH: usize = 24;

/// Per layer and channel a coarse grid over a tile, bilinear between the cells' centres.
pub(crate) struct Trends {
    columns: usize,
    rows: usize,
    /// `[layer][channel]`, cell by cell.
    grids: Vec<[Vec<f32>; 3]>,
}

impl Trends {
    pub(crate) fn new(layers: &[Layer], width: usize, height: usize) -> Self {
        let (columns, rows) = (width.div_ceil(CELL), height.div_ceil(CELL));
        let empty = || std::array::from_fn(|_| vec![f32::NAN; columns * rows]);
        let mut grids: Vec<[Vec<f32>; 3]> = layers.iter().map(|_| empty()).collect();
        let mut samples: Vec<Vec<f32>> = vec![Vec::new(); layers.len()];
        for k in 0..columns * rows {
            let (x0, y0) = (k % columns * CELL, k / columns * CELL);
            for c in 0..3 {
                collect(layers, c, (x0, y0), (width, height), &mut samples);
                for (grid, values) in grids.iter_mut().zip(&mut samples) {
                    if values.len() >= ENOUGH {
                        grid[c][k] = median(values).unwrap_or(f32::NAN);
                    }
                }
            }
        }
        grids.iter_mut().flatten().for_each(|g| fill(g));
        Self { columns, rows, grids }
    }

    /// The trend along one row of the tile.
    pub(crate) fn row(&self, layer: usize, channel: usize, y: usize, out: &mut [f32]) {
        let grid = &self.grids[layer][channel];
        let (j, j2, ty) = between(y, self.rows);
        let node = |i: usize| {
            let (a, b) = (grid[j * self.columns + i], grid[j2 * self.columns + i]);
            a + (b - a) * ty
        };
        let half = CELL / 2;
        for i in 0..=self.columns {
            // From the centre of cell i − 1 to that of cell i.
            let (a, b) = (node(i.max(1) - 1), node(i.min(self.columns - 1)));
            let start = (i * CELL).saturating_sub(half).min(out.len());
            let end = if i == self.columns {
                out.len()
            } else {
                (i * CELL + half).min(out.len())
            };
            let first = (start + half).saturating_sub(i * CELL);
            for (o, part) in out[start..end].iter_mut().zip(&PARTS[first..]) {
                *o = a + (b - a) * part;
            }
        }
    }
}

/// The part of the way from one cell's centre to the next at each pixel between them.
const PARTS: [f32; CELL] = {
    let (mut parts, mut k) = ([0.0; CELL], 0);
    while k < CELL {
        parts[k] = (k as f32 + 0.5) / CELL as f32;
        k += 1;
    }
    parts
};

fn between(at: usize, count: usize) -> (usize, usize, f32) {
    let t = ((at as f32 + 0.5) / CELL as f32 - 0.5).clamp(0.0, (count - 1) as f32);
    (
        t as usize,
        (t as usize + 1).min(count - 1),
        t - (t as usize) as f32,
    )
}

/// Differences from the per-pixel median in one cell, per layer.
fn collect(
    layers: &[Layer],
    c: usize,
    (x0, y0): (usize, usize),
    (width, height): (usize, usize),
    samples: &mut [Vec<f32>],
) {
    samples.iter_mut().for_each(Vec::clear);
    let mut column = Vec::with_capacity(layers.len());
    for y in (y0..(y0 + CELL).min(height)).step_by(STRIDE) {
        for x in (x0..(x0 + CELL).min(width)).step_by(STRIDE) {
            let p = y * width + x;
            column.clear();
            column.extend(
                layers
                    .iter()
                    .filter(|l| l.share[p] >= 0.5)
                    .map(|l| l.values[c][p]),
            );
            if column.len() < 2 {
                continue;
            }
            let Some(middle) = median(&mut column) else {
                continue;
            };
            for (layer, out) in layers.iter().zip(samples.iter_mut()) {
                if layer.share[p] >= 0.5 {
                    out.push(layer.values[c][p] - middle);
                }
            }
        }
    }
}

/// Cells without a value take the median of those with one, or 0.
fn fill(grid: &mut [f32]) {
    let middle = median(&mut grid.to_vec()).unwrap_or(0.0);
    grid.iter_mut().filter(|v| v.is_nan()).for_each(|v| *v = middle);
}
