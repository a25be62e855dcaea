//! Recognises land in one frame: where no stars are although they should be, and where level or
//! texture change at the border of that void.
//!
//! 1. Level and texture of each cell. 2. Star counts in a window that should hold some ten:
//!    windows far below are void, cells by stars are sky. 3. From these seeds both regions grow
//!    over the level's gradient until they meet (watershed; Meyer 1994). 4. A void whose border is
//!    no edge is sky after all: a dark nebula, haze, a dim corner.

use std::cmp::Reverse;
use std::collections::BinaryHeap;

use nightloom_raster::Plane;
use rayon::prelude::*;

use crate::background::clipped;
use crate::detect::median;
use crate::{LandMask, LandSettings, Star};

/// Stars a window should hold.
const EXPECTED: f64 = 12.0;
/// Part of the expected stars below which a window is void.
const VOID: f64 = 0.25;
/// Cells on either side of a border that are compared.
const REACH: usize = 6;
/// How much larger the step across a border must be than steps within the sky.
const EDGE: f32 = 3.0;
/// Change of texture across a border that tells land by itself, as a ratio.
const TEXTURE: f32 = 1.5;

/// Finds the land of a frame.
pub(crate) fn find_land(image: &Plane, stars: &[Star], settings: &LandSettings) -> LandMask {
    let sky = LandMask::all_sky(image.width(), image.height(), settings.cell_px);
    if !settings.look || stars.len() < settings.min_stars {
        return sky;
    }
    let map = CellMap::new(image, &sky);
    let density = Density::new(stars, &sky, (image.width(), image.height()));
    let mut seeds: Vec<Option<bool>> = (0..sky.land.len()).map(|cell| density.seed(cell)).collect();
    keep_border_voids(&mut seeds, sky.columns, sky.rows);
    if !seeds.contains(&Some(true)) {
        return sky;
    }
    let gradient = map.gradient();
    let mut land = flood(&seeds, &gradient, sky.columns, sky.rows);
    for patch in patches(&land, sky.columns, sky.rows) {
        if !map.is_edge(&land, &patch) {
            patch.iter().for_each(|cell| land[*cell] = false);
        }
    }
    grow_over_ramp(&mut land, &gradient, sky.columns, sky.rows);
    LandMask { land, ..sky }.grown(settings.margin_cells)
}

/// Level and texture of each cell.
struct CellMap {
    columns: usize,
    rows: usize,
    level: Vec<f32>,
    texture: Vec<f32>,
}

impl CellMap {
    fn new(image: &Plane, mask: &LandMask) -> Self {
        let (columns, rows, side) = (mask.columns, mask.rows, mask.cell_px);
        let cells: Vec<(f32, f32)> = (0..columns * rows)
            .into_par_iter()
            .map_init(Vec::new, |values, cell| {
                let (x0, y0) = ((cell % columns) * side, (cell / columns) * side);
                values.clear();
                for y in (y0..(y0 + side).min(image.height())).step_by(2) {
                    let row = &image.row(y)[x0..(x0 + side).min(image.width())];
                    values.extend(row.iter().step_by(2).filter(|v| v.is_finite()));
                }
                clipped(values, 3.0).map_or((0.0, 0.0), |s| (s.median, s.sigma))
            })
            .collect();
        let (level, texture) = cells.into_iter().unzip();
        Self {
            columns,
            rows,
            level,
            texture,
        }
    }

    fn at(&self, values: &[f32], x: isize, y: isize) -> f32 {
        let x = x.clamp(0, self.columns as isize - 1) as usize;
        let y = y.clamp(0, self.rows as isize - 1) as usize;
        values[y * self.columns + x]
    }

    /// Slope of the level (Sobel on 3 × 3 medians), in units of the sky's own typical slope.
    fn gradient(&self) -> Vec<f32> {
        let smooth: Vec<f32> = self
            .each(|x, y| {
                median(
                    (0..9)
                        .map(|i| self.at(&self.level, x + i % 3 - 1, y + i / 3 - 1))
                        .collect(),
                )
            })
            .collect();
        let slopes: Vec<f32> = self
            .each(|x, y| {
                let v = |dx, dy| self.at(&smooth, x + dx, y + dy);
                let gx = v(1, -1) + 2.0 * v(1, 0) + v(1, 1) - v(-1, -1) - 2.0 * v(-1, 0) - v(-1, 1);
                let gy = v(-1, 1) + 2.0 * v(0, 1) + v(1, 1) - v(-1, -1) - 2.0 * v(0, -1) - v(1, -1);
                gx.hypot(gy) / 8.0
            })
            .collect();
        let typical = median(slopes.clone()).max(f32::MIN_POSITIVE);
        slopes.iter().map(|s| s / typical).collect()
    }

    fn each<'a, T>(&'a self, of: impl Fn(isize, isize) -> T + 'a) -> impl Iterator<Item = T> + 'a {
        (0..self.rows * self.columns)
            .map(move |i| of((i % self.columns) as isize, (i / self.columns) as isize))
    }

    /// Whether level or texture change across the border of a patch as they do not within the sky.
    fn is_edge(&self, land: &[bool], patch: &[usize]) -> bool {
        let near_sky = distance(land, self.columns, self.rows, false);
        let near_land = distance(&mark(land.len(), patch), self.columns, self.rows, true);
        let inside: Vec<usize> = patch.iter().copied().filter(|c| near_sky[*c] <= REACH).collect();
        let outside: Vec<usize> = (0..land.len())
            .filter(|c| !land[*c] && near_land[*c] <= REACH)
            .collect();
        if inside.is_empty() || outside.is_empty() {
            return false;
        }
        let of = |values: &[f32], cells: &[usize]| median(cells.iter().map(|c| values[*c]).collect());
        let step = (of(&self.level, &inside) - of(&self.level, &outside)).abs();
        let texture = of(&self.texture, &inside) / of(&self.texture, &outside).max(f32::MIN_POSITIVE);
        step > EDGE * self.usual_step(land) || !(1.0 / TEXTURE..=TEXTURE).contains(&texture)
    }

    /// The median change of level over twice the reach within the sky.
    fn usual_step(&self, land: &[bool]) -> f32 {
        let (columns, reach) = (self.columns, 2 * REACH);
        let mut steps = Vec::new();
        for cell in 0..land.len() {
            let right = (cell % columns + reach < columns).then_some(cell + reach);
            let down = (cell / columns + reach < self.rows).then_some(cell + reach * columns);
            for other in [right, down].into_iter().flatten() {
                if !land[cell] && !land[other] {
                    steps.push((self.level[cell] - self.level[other]).abs());
                }
            }
        }
        let noise = median(self.texture.clone()) / 8.0;
        median(steps).max(noise)
    }
}

/// Stars counted in square windows.
struct Density {
    columns: usize,
    rows: usize,
    half: usize,
    /// Stars a cell of sky holds, at the sparse end of what the frame shows.
    per_cell: f64,
    sums: Vec<f64>,
    has_star: Vec<bool>,
}

impl Density {
    fn new(stars: &[Star], mask: &LandMask, (width, height): (usize, usize)) -> Self {
        let (columns, rows) = (mask.columns, mask.rows);
        let mut counts = vec![0.0; columns * rows];
        for star in stars {
            let cell = |v: f64, n: usize| (((v + 0.5).max(0.0) / mask.cell_px as f64) as usize).min(n - 1);
            counts[cell(star.y, rows) * columns + cell(star.x, columns)] += 1.0;
        }
        let per_px = sparse_density(stars, (width, height));
        let per_cell = per_px * (mask.cell_px * mask.cell_px) as f64;
        let half = ((EXPECTED / per_cell).sqrt() / 2.0).ceil().max(2.0) as usize;
        let has_star = counts.iter().map(|c| *c > 0.0).collect();
        Self {
            columns,
            rows,
            half,
            per_cell,
            sums: integral(&counts, columns, rows),
            has_star,
        }
    }

    /// Stars and cells in the window about a cell.
    fn window(&self, cell: usize) -> (f64, f64) {
        let (x, y) = (cell % self.columns, cell / self.columns);
        let (x0, x1) = (x.saturating_sub(self.half), (x + self.half + 1).min(self.columns));
        let (y0, y1) = (y.saturating_sub(self.half), (y + self.half + 1).min(self.rows));
        let sum = |x: usize, y: usize| self.sums[y * (self.columns + 1) + x];
        (
            sum(x1, y1) - sum(x0, y1) - sum(x1, y0) + sum(x0, y0),
            ((x1 - x0) * (y1 - y0)) as f64,
        )
    }

    /// Land, sky, or not known yet.
    fn seed(&self, cell: usize) -> Option<bool> {
        let (stars, cells) = self.window(cell);
        let expected = self.per_cell * cells;
        if stars <= VOID * expected && !self.has_star[cell] {
            // Within a quarter-full corner window the expectation may be too low to tell.
            return (expected >= 0.4 * EXPECTED || stars == 0.0).then_some(true);
        }
        (self.has_star[cell] && stars > 0.5 * expected).then_some(false)
    }
}

/// Stars per square pixel where they are sparse: from the distance of each to its tenth
/// neighbour, the value that three quarters of the stars exceed.
fn sparse_density(stars: &[Star], (width, height): (usize, usize)) -> f64 {
    let sample: Vec<&Star> = stars.iter().take(1500).collect();
    let tenth = 10.min(sample.len() - 1);
    let mut densities: Vec<f64> = sample
        .par_iter()
        .map(|s| {
            let mut d2: Vec<f64> = sample
                .iter()
                .map(|o| (o.x - s.x).powi(2) + (o.y - s.y).powi(2))
                .collect();
            let reach2 = *d2.select_nth_unstable_by(tenth, f64::total_cmp).1;
            tenth as f64 / (window_in_frame(s, reach2.sqrt(), width, height)).max(1.0)
        })
        .collect();
    densities.sort_by(f64::total_cmp);
    let whole = stars.len() as f64 / sample.len() as f64;
    densities[densities.len() / 4] * whole
}

/// Area of the part of a disc that lies in the frame, taken as the disc's share of its square.
fn window_in_frame(star: &Star, radius: f64, width: usize, height: usize) -> f64 {
    let span = |v: f64, n: usize| (v + radius).min(n as f64) - (v - radius).max(0.0);
    span(star.x, width) * span(star.y, height) * std::f64::consts::FRAC_PI_4
}

fn integral(values: &[f64], columns: usize, rows: usize) -> Vec<f64> {
    let mut sums = vec![0.0; (columns + 1) * (rows + 1)];
    for y in 0..rows {
        for x in 0..columns {
            sums[(y + 1) * (columns + 1) + x + 1] =
                values[y * columns + x] + sums[y * (columns + 1) + x + 1] + sums[(y + 1) * (columns + 1) + x]
                    - sums[y * (columns + 1) + x];
        }
    }
    sums
}

/// Land comes in from the frame's border; a void within the sky is none.
fn keep_border_voids(seeds: &mut [Option<bool>], columns: usize, rows: usize) {
    let void: Vec<bool> = seeds.iter().map(|s| *s == Some(true)).collect();
    for patch in patches(&void, columns, rows) {
        let touches = |c: &usize| {
            c % columns == 0 || c % columns == columns - 1 || c / columns == 0 || c / columns == rows - 1
        };
        if !patch.iter().any(touches) {
            patch.iter().for_each(|c| seeds[*c] = None);
        }
    }
}

/// Connected groups of set cells.
fn patches(set: &[bool], columns: usize, rows: usize) -> Vec<Vec<usize>> {
    let mut seen = vec![false; set.len()];
    let mut out = Vec::new();
    for start in 0..set.len() {
        if !set[start] || seen[start] {
            continue;
        }
        seen[start] = true;
        let mut patch = vec![start];
        let mut next = 0;
        while next < patch.len() {
            for neighbour in neighbours(patch[next], columns, rows) {
                if set[neighbour] && !seen[neighbour] {
                    seen[neighbour] = true;
                    patch.push(neighbour);
                }
            }
            next += 1;
        }
        out.push(patch);
    }
    out
}

fn neighbours(cell: usize, columns: usize, rows: usize) -> impl Iterator<Item = usize> {
    let (x, y) = (cell % columns, cell / columns);
    let left = (x > 0).then(|| cell - 1);
    let right = (x + 1 < columns).then_some(cell + 1);
    let up = (y > 0).then(|| cell - columns);
    let down = (y + 1 < rows).then_some(cell + columns);
    [left, right, up, down].into_iter().flatten()
}

/// Both seeds grow over the lowest gradients first.
fn flood(seeds: &[Option<bool>], gradient: &[f32], columns: usize, rows: usize) -> Vec<bool> {
    let mut label = seeds.to_vec();
    let mut queue = BinaryHeap::new();
    let mut order = 0u64;
    let mut push = |queue: &mut BinaryHeap<_>, cell: usize, by: bool| {
        order += 1;
        // Positive floats order as their bits do.
        queue.push(Reverse((gradient[cell].to_bits(), order, cell, by)));
    };
    for cell in 0..seeds.len() {
        if let Some(by) = seeds[cell] {
            neighbours(cell, columns, rows)
                .filter(|n| seeds[*n].is_none())
                .for_each(|n| push(&mut queue, n, by));
        }
    }
    while let Some(Reverse((_, _, cell, by))) = queue.pop() {
        if label[cell].is_some() {
            continue;
        }
        label[cell] = Some(by);
        neighbours(cell, columns, rows)
            .filter(|n| label[*n].is_none())
            .for_each(|n| push(&mut queue, n, by));
    }
    label.into_iter().map(|l| l.unwrap_or(false)).collect()
}

fn mark(len: usize, cells: &[usize]) -> Vec<bool> {
    let mut out = vec![false; len];
    cells.iter().for_each(|c| out[*c] = true);
    out
}

/// Steps from each cell to the nearest one that is `target`.
fn distance(set: &[bool], columns: usize, rows: usize, target: bool) -> Vec<usize> {
    let mut steps = vec![usize::MAX; set.len()];
    let mut front: Vec<usize> = (0..set.len()).filter(|c| set[*c] == target).collect();
    front.iter().for_each(|c| steps[*c] = 0);
    let mut next = 0;
    while next < front.len() {
        let cell = front[next];
        next += 1;
        for n in neighbours(cell, columns, rows) {
            if steps[n] == usize::MAX {
                steps[n] = steps[cell] + 1;
                front.push(n);
            }
        }
    }
    steps
}

/// A turning camera smears the ridge into a ramp; land takes the ramp's sky side too.
fn grow_over_ramp(land: &mut [bool], gradient: &[f32], columns: usize, rows: usize) {
    const MOST: usize = 10;
    for _ in 0..MOST {
        let border: Vec<usize> = (0..land.len())
            .filter(|c| !land[*c] && neighbours(*c, columns, rows).any(|n| land[n]))
            .collect();
        let steep: Vec<usize> = border.into_iter().filter(|c| gradient[*c] > 4.0 * EDGE).collect();
        if steep.is_empty() {
            break;
        }
        steep.iter().for_each(|c| land[*c] = true);
    }
}
