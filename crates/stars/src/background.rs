//! Sky level and noise over a frame, after Bertin & Arnouts (1996, A&AS 117, 393, §3.1).

use nightloom_fit::median;
use nightloom_raster::Plane;
use rayon::prelude::*;

use crate::LandMask;
use crate::levels::{CellStats, clipped, clipped_rows};

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
/// Between cell centres both are interpolated by monotone cubics; beyond the outermost centres the
/// outermost values hold on.
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
        Self::sampled(image, mask, settings, 1)
    }

    /// As [`Background::measure`], from every `stride`th pixel of every `stride`th row.
    pub fn sampled(
        image: &Plane,
        mask: Option<&LandMask>,
        settings: &BackgroundSettings,
        stride: usize,
    ) -> Self {
        let mesh_px = settings.mesh_px.max(4);
        let columns = image.width().div_ceil(mesh_px).max(1);
        let rows = image.height().div_ceil(mesh_px).max(1);
        let cells: Vec<Option<CellStats>> = (0..columns * rows)
            .into_par_iter()
            .map_init(Vec::new, |buffer, cell| {
                let corner = ((cell % columns) * mesh_px, (cell / columns) * mesh_px);
                cell_stats(image, mask, corner, settings, stride.max(1), buffer)
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
    #[inline(always)]
    pub fn level_row(&self, y: usize, out: &mut [f32]) {
        self.interpolate_row(&self.level, y, out);
    }

    fn sample(&self, values: &[f32], x: f64, y: f64) -> f32 {
        let (row, ty) = self.place(y, self.rows);
        let (column, tx) = self.place(x, self.columns);
        let line = |c: isize| {
            Cubic::between(
                |r| values[r * self.columns + clamped(c, self.columns)],
                row,
                self.rows,
            )
            .at(ty)
        };
        Cubic::between(|c| line(c as isize), column, self.columns).at(tx)
    }

    /// One cubic per stretch between cell centres, so that a row costs three multiplications a pixel.
    #[inline(always)]
    fn interpolate_row(&self, values: &[f32], y: usize, out: &mut [f32]) {
        self.along(&self.line(values, y), 0, out);
    }

    /// The values at the height `y` above each column's centre.
    fn line(&self, values: &[f32], y: usize) -> Vec<f32> {
        let (row, ty) = self.place(y as f64, self.rows);
        (0..self.columns)
            .map(|c| Cubic::between(|r| values[r * self.columns + c], row, self.rows).at(ty))
            .collect()
    }

    /// The noise at the height `y`, to be read along the row.
    pub(crate) fn noise_line(&self, y: usize) -> LevelNoise<'_> {
        LevelNoise {
            mesh: self,
            line: self.line(&self.noise, y),
        }
    }

    /// Interpolates a line for the pixels from `x0` on.
    #[inline(always)]
    fn along(&self, line: &[f32], x0: usize, out: &mut [f32]) {
        let (side, half, n) = (self.mesh_px as f64, 0.5 * self.mesh_px as f64 - 0.5, out.len());
        let until = |x: f64| (x.ceil() as usize).saturating_sub(x0).min(n);
        let mut done = until(half);
        out[..done].fill(line[0]);
        let first = (((x0 + done) as f64 - half).max(0.0) / side) as usize;
        for cell in first..self.columns - 1 {
            let start = half + cell as f64 * side;
            let end = until(start + side);
            let cubic = Cubic::between(|c| line[c], cell as isize, self.columns);
            let (step, offset) = (1.0 / side as f32, (((x0 + done) as f64 - start) / side) as f32);
            for (i, out) in out[done..end.max(done)].iter_mut().enumerate() {
                *out = cubic.at(offset + i as f32 * step);
            }
            done = done.max(end);
            if done == n {
                return;
            }
        }
        out[done..].fill(line[self.columns - 1]);
    }

    /// The cell centre before a coordinate and the part of the way to the next.
    fn place(&self, v: f64, cells: usize) -> (isize, f32) {
        let place = ((v + 0.5) / self.mesh_px as f64 - 0.5).clamp(0.0, (cells - 1) as f64);
        (place.floor() as isize, (place - place.floor()) as f32)
    }
}

/// The noise along one row.
pub(crate) struct LevelNoise<'a> {
    mesh: &'a Background,
    line: Vec<f32>,
}

impl LevelNoise<'_> {
    /// What the noise nowhere falls below from the pixel `x0` to that before `x1`: the cubics never leave the range
    /// of the values they join.
    pub(crate) fn floor(&self, x0: usize, x1: usize) -> f32 {
        const ROUNDING: f32 = 0.9999;
        let (first, _) = self.mesh.place(x0 as f64, self.mesh.columns);
        let (last, _) = self.mesh.place(x1 as f64, self.mesh.columns);
        let cells = &self.line[first as usize..(last as usize + 2).min(self.line.len())];
        ROUNDING * cells.iter().copied().fold(f32::INFINITY, f32::min)
    }

    /// The noise at the pixels from `x0` on.
    pub(crate) fn read(&self, x0: usize, out: &mut [f32]) {
        self.mesh.along(&self.line, x0, out);
    }
}

fn clamped(cell: isize, cells: usize) -> usize {
    cell.clamp(0, cells as isize - 1) as usize
}

/// A cubic between two cell centres that never leaves their values' range: Hermite with slopes
/// limited after Fritsch & Carlson (1980). An edge of land must not make a trough beside it.
struct Cubic([f32; 4]);

impl Cubic {
    fn between(value: impl Fn(usize) -> f32, cell: isize, cells: usize) -> Self {
        let (b, c) = (value(clamped(cell, cells)), value(clamped(cell + 1, cells)));
        let a = if cell > 0 {
            value(clamped(cell - 1, cells))
        } else {
            2.0 * b - c
        };
        let d = if cell + 2 < cells as isize {
            value(clamped(cell + 2, cells))
        } else {
            2.0 * c - b
        };
        let slope = |before: f32, after: f32| {
            if before * after <= 0.0 {
                return 0.0;
            }
            let limit = 3.0 * before.abs().min(after.abs());
            (0.5 * (before + after)).clamp(-limit, limit)
        };
        let (from, to) = (slope(b - a, c - b), slope(c - b, d - c));
        Self([
            b,
            from,
            3.0 * (c - b) - 2.0 * from - to,
            2.0 * (b - c) + from + to,
        ])
    }

    #[inline]
    fn at(&self, t: f32) -> f32 {
        let [k0, k1, k2, k3] = self.0;
        k0 + t * (k1 + t * (k2 + t * k3))
    }
}

/// The statistics of the cell whose first pixel is `corner`; `None` where too little of it is sky.
fn cell_stats(
    image: &Plane,
    mask: Option<&LandMask>,
    corner: (usize, usize),
    settings: &BackgroundSettings,
    stride: usize,
    buffer: &mut Vec<f32>,
) -> Option<CellStats> {
    let side = settings.mesh_px.max(4);
    let enough = (side * side / (16 * stride * stride).max(1)).min(64);
    let (x1, y1) = (
        (corner.0 + side).min(image.width()),
        (corner.1 + side).min(image.height()),
    );
    let many = (x1 - corner.0) * (y1 - corner.1) >= 512 * stride * stride;
    if mask.is_none() && many {
        let rows = (corner.1..y1)
            .step_by(stride)
            .map(|y| &image.row(y)[corner.0..x1]);
        return clipped_rows(rows, stride, settings.clip_sigma, buffer);
    }
    gather(image, mask, corner, side, stride, buffer);
    (buffer.len() >= enough)
        .then(|| clipped(buffer, settings.clip_sigma))
        .flatten()
}

fn gather(
    image: &Plane,
    mask: Option<&LandMask>,
    (x0, y0): (usize, usize),
    side: usize,
    stride: usize,
    out: &mut Vec<f32>,
) {
    out.clear();
    let x1 = (x0 + side).min(image.width());
    for y in (y0..(y0 + side).min(image.height())).step_by(stride) {
        let row = image.row(y)[x0..x1].iter().enumerate().step_by(stride);
        let sky = |i: usize| mask.is_none_or(|mask| !mask.is_land((x0 + i) as f64, y as f64));
        out.extend(row.filter(|(i, v)| v.is_finite() && sky(*i)).map(|(_, v)| *v));
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
                    let inside = x >= 0 && y >= 0 && x < columns as isize && y < rows as isize;
                    if let Some(v) = inside.then(|| cells[y as usize * columns + x as usize]).flatten() {
                        sum += v;
                        n += 1;
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
            // At the border the window shrinks on both sides, or a slope would shift its median.
            let (hx, hy) = (
                half.min(cx).min(columns - 1 - cx),
                half.min(cy).min(rows - 1 - cy),
            );
            for y in cy - hy..=cy + hy {
                for x in cx - hx..=cx + hx {
                    window.push(cells[y * columns + x]);
                }
            }
            median(&mut window).unwrap_or(0.0)
        })
        .collect()
}
