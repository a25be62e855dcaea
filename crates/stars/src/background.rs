//! Sky level and noise over a frame, after Bertin & Arnouts (1996, A&AS 117, 393, §3.1).

use nightloom_raster::Plane;
use rayon::prelude::*;

use crate::LandMask;

/// How the background is measured.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct BackgroundSettings {
    /// Side of a mesh cell, pixels.
    pub mesh_px: usize,
    /// Side of the median filter over the mesh, cells (odd).
    pub filter_cells: usize,
    /// Clipping about the median, standard deviations.
    pub clip_sigma: f32,
}

impl Default for BackgroundSettings {
    fn default() -> Self {
        Self {
            mesh_px: 64,
            filter_cells: 3,
            clip_sigma: 3.0,
        }
    }
}

/// Level and noise of the sky on a mesh, to be read at any pixel.
///
/// Between cell centres both are interpolated bicubically (Catmull & Rom 1974); beyond the
/// outermost centres the outermost values hold on.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Background {
    /// Side of a mesh cell, pixels.
    pub mesh_px: usize,
    /// Cells across.
    pub columns: usize,
    /// Cells down.
    pub rows: usize,
    /// Level of each cell, row after row.
    pub level: Vec<f32>,
    /// Standard deviation of a pixel in each cell.
    pub noise: Vec<f32>,
}

impl Background {
    /// Measures level and noise, leaving out land where a mask is given.
    ///
    /// Each cell is clipped about its median until nothing more falls away; the level is
    /// 2.5 median − 1.5 mean, or the median where |mean − median| ≥ 0.3 σ (crowded). Cells
    /// without sky take the value of their nearest neighbours; last, the mesh is median-filtered.
    pub fn measure(image: &Plane, mask: Option<&LandMask>, settings: &BackgroundSettings) -> Self {
        let mesh_px = settings.mesh_px.max(4);
        let columns = image.width().div_ceil(mesh_px).max(1);
        let rows = image.height().div_ceil(mesh_px).max(1);
        let cells: Vec<Option<CellStats>> = (0..columns * rows)
            .into_par_iter()
            .map_init(Vec::new, |buffer, cell| {
                gather(
                    image,
                    mask,
                    (cell % columns) * mesh_px,
                    (cell / columns) * mesh_px,
                    mesh_px,
                    buffer,
                );
                let enough = mesh_px * mesh_px / 16;
                (buffer.len() >= enough.min(64))
                    .then(|| clipped(buffer, settings.clip_sigma))
                    .flatten()
            })
            .collect();
        let level = fill_holes(cells.iter().map(|c| c.map(|c| c.mode())).collect(), columns, rows);
        let noise = fill_holes(cells.iter().map(|c| c.map(|c| c.sigma)).collect(), columns, rows);
        Self {
            mesh_px,
            columns,
            rows,
            level: median_filter(&level, columns, rows, settings.filter_cells),
            noise: median_filter(&noise, columns, rows, settings.filter_cells),
        }
    }

    /// The level at the pixel position (x, y).
    pub fn level_at(&self, x: f64, y: f64) -> f32 {
        self.sample(&self.level, x, y)
    }

    /// The noise at the pixel position (x, y).
    pub fn noise_at(&self, x: f64, y: f64) -> f32 {
        self.sample(&self.noise, x, y).max(f32::MIN_POSITIVE)
    }

    /// The levels along the whole pixel row `y`.
    pub fn level_row(&self, y: usize, out: &mut [f32]) {
        self.interpolate_row(&self.level, y, out);
    }

    /// The noise along the whole pixel row `y`.
    pub fn noise_row(&self, y: usize, out: &mut [f32]) {
        self.interpolate_row(&self.noise, y, out);
    }

    fn sample(&self, values: &[f32], x: f64, y: f64) -> f32 {
        let (row, wy) = self.taps(y, self.rows);
        let (column, wx) = self.taps(x, self.columns);
        let line = |r: usize| {
            (0..4)
                .map(|i| wx[i] * values[r * self.columns + column[i]])
                .sum::<f32>()
        };
        (0..4).map(|j| wy[j] * line(row[j])).sum()
    }

    fn interpolate_row(&self, values: &[f32], y: usize, out: &mut [f32]) {
        let (row, wy) = self.taps(y as f64, self.rows);
        let line: Vec<f32> = (0..self.columns)
            .map(|c| (0..4).map(|j| wy[j] * values[row[j] * self.columns + c]).sum())
            .collect();
        for (x, out) in out.iter_mut().enumerate() {
            let (column, wx) = self.taps(x as f64, self.columns);
            *out = (0..4).map(|i| wx[i] * line[column[i]]).sum();
        }
    }

    /// Four cells and their weights for one coordinate.
    fn taps(&self, v: f64, cells: usize) -> ([usize; 4], [f32; 4]) {
        let last = cells - 1;
        let place = ((v + 0.5) / self.mesh_px as f64 - 0.5).clamp(0.0, last as f64);
        let base = place.floor();
        let t = (place - base) as f32;
        let base = base as isize;
        let index = |o: isize| (base + o).clamp(0, last as isize) as usize;
        let (t2, t3) = (t * t, t * t * t);
        let weights = [
            -0.5 * t + t2 - 0.5 * t3,
            1.0 - 2.5 * t2 + 1.5 * t3,
            0.5 * t + 2.0 * t2 - 1.5 * t3,
            -0.5 * t2 + 0.5 * t3,
        ];
        ([index(-1), index(0), index(1), index(2)], weights)
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
    fn mode(self) -> f32 {
        if (self.mean - self.median).abs() < 0.3 * self.sigma {
            2.5 * self.median - 1.5 * self.mean
        } else {
            self.median
        }
    }
}

fn gather(image: &Plane, mask: Option<&LandMask>, x0: usize, y0: usize, side: usize, out: &mut Vec<f32>) {
    out.clear();
    let x1 = (x0 + side).min(image.width());
    for y in y0..(y0 + side).min(image.height()) {
        let row = &image.row(y)[x0..x1];
        match mask {
            None => out.extend(row.iter().copied().filter(|v| v.is_finite())),
            Some(mask) => out.extend(
                row.iter()
                    .enumerate()
                    .filter(|(i, v)| v.is_finite() && !mask.is_land((x0 + i) as f64, y as f64))
                    .map(|(_, v)| *v),
            ),
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
        let median = middle_of(&values[lo..hi]);
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

fn middle_of(sorted: &[f32]) -> f32 {
    let n = sorted.len();
    if n % 2 == 1 {
        sorted[n / 2]
    } else {
        0.5 * (sorted[n / 2 - 1] + sorted[n / 2])
    }
}

/// Gives cells without a value the mean of the nearest cells that have one, ring by ring.
fn fill_holes(cells: Vec<Option<f32>>, columns: usize, rows: usize) -> Vec<f32> {
    if cells.iter().all(Option::is_none) {
        return vec![0.0; cells.len()];
    }
    let nearest = |cell: usize| {
        let (cx, cy) = ((cell % columns) as isize, (cell / columns) as isize);
        for ring in 1..columns.max(rows) as isize + 1 {
            let (mut sum, mut n) = (0.0f32, 0);
            for dy in -ring..=ring {
                let step = if dy.abs() == ring { 1 } else { 2 * ring };
                for dx in (-ring..=ring).step_by(step as usize) {
                    let (x, y) = (cx + dx, cy + dy);
                    if x >= 0 && y >= 0 && x < columns as isize && y < rows as isize {
                        if let Some(v) = cells[y as usize * columns + x as usize] {
                            sum += v;
                            n += 1;
                        }
                    }
                }
            }
            if n > 0 {
                return sum / n as f32;
            }
        }
        0.0
    };
    cells
        .iter()
        .enumerate()
        .map(|(i, v)| v.unwrap_or_else(|| nearest(i)))
        .collect()
}

fn median_filter(cells: &[f32], columns: usize, rows: usize, side: usize) -> Vec<f32> {
    let half = side / 2;
    let mut window = Vec::with_capacity(side * side);
    (0..cells.len())
        .map(|cell| {
            let (cx, cy) = (cell % columns, cell / columns);
            window.clear();
            for y in cy.saturating_sub(half)..(cy + half + 1).min(rows) {
                for x in cx.saturating_sub(half)..(cx + half + 1).min(columns) {
                    window.push(cells[y * columns + x]);
                }
            }
            window.sort_unstable_by(f32::total_cmp);
            middle_of(&window)
        })
        .collect()
}
