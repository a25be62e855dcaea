//! Which part of each tracked frame is clean sky.
//!
//! The land moves through a tracked frame. Where it was at each moment follows from the land
//! frames' matte and the turning of the sky, without looking at the smeared land itself; only
//! where the pole or the times are not known does each frame's own content decide.

use nalgebra::Rotation3;
use nightloom_stack::{MappingGrid, Mask};
use nightloom_stars::{AirPath, LandMask};
use rayon::prelude::*;

use super::canvas::{Canvas, SkyCamera};
use super::outline::{Look, Outline, Twigs};
use super::place::{EARTH_RATE, Placement};
use nightloom_outing::FrameTime;

/// Side of a mask cell, pixels: as fine as the outline is worth.
const CELL: usize = 2;
/// Canvases of up to so many pixels are asked pixel by pixel how open land is.
const FINE_UP_TO: usize = 8_000_000;
/// Side of a cell of what is only coarsely known.
const COARSE: usize = 8;
/// Moments of an exposure at which the land is looked up, at most.
const MOST_MOMENTS: usize = 64;
/// The land moves by so many pixels at most between two of them.
const STEP_PX: f64 = 1.5;
/// Mappings are sampled at every so many pixels; they are far smoother than that.
const GRID: usize = 64;

/// The mask of a tracked frame on the canvas from the land's outline, at all moments of its exposure; `None` without a
/// known pole.
pub(super) fn from_turning(
    canvas: &Canvas,
    placement: &Placement,
    outline: &Outline,
    time: &FrameTime,
) -> Option<Mask> {
    let (columns, rows) = cells(canvas);
    let mut clear = vec![255u8; columns * rows];
    all_through(canvas, placement, time, |grids| {
        let blocks = clear.par_chunks_mut(columns * (COARSE / CELL)).enumerate();
        blocks.for_each(|(row, cells)| block_row(row * COARSE, cells, columns, canvas, grids, outline));
    })?;
    Some(mask_of(canvas, &clear, CELL))
}

/// Columns and rows of mask cells.
fn cells(canvas: &Canvas) -> (usize, usize) {
    (
        canvas.width.div_ceil(CELL).max(1),
        canvas.height.div_ceil(CELL).max(1),
    )
}

/// A mask of cells of 0 to 255.
fn mask_of(canvas: &Canvas, bytes: &[u8], cell: usize) -> Mask {
    let columns = canvas.width.div_ceil(cell);
    let value = |x: f64, y: f64| f32::from(bytes[(y as usize / cell) * columns + x as usize / cell]) / 255.0;
    Mask::from_fn(canvas.width, canvas.height, cell, value)
}

/// Calls `look` with the ways from canvas to land frame at moments all through an exposure; `None` without a known pole.
fn all_through(
    canvas: &Canvas,
    placement: &Placement,
    time: &FrameTime,
    look: impl FnOnce(&[MappingGrid<'_>]),
) -> Option<()> {
    let motion_px = EARTH_RATE * time.exposure_s * canvas.lens.focal_px * 1.5;
    let count = ((motion_px / STEP_PX).ceil() as usize + 2).min(MOST_MOMENTS);
    let moment = |k: usize| {
        let then = time
            .start
            .plus_seconds(time.exposure_s * k as f64 / (count - 1) as f64);
        Some((placement.rotation_at(then)?, placement.air_at(then)))
    };
    let moments: Vec<(Rotation3<f64>, Option<AirPath>)> = (0..count).map(moment).collect::<Option<_>>()?;
    let maps: Vec<_> = moments
        .iter()
        .map(|(rotation, air)| move |pixel: [f64; 2]| canvas.to_land_frame(rotation, air.as_ref(), pixel))
        .collect();
    let grid = |map| MappingGrid::new(map, canvas.width, canvas.height, GRID);
    look(&maps.iter().map(|map| grid(map)).collect::<Vec<_>>());
    Some(())
}

/// For what share of its exposure a tracked frame saw the sky through the land, by the land's matte, at the pixels that
/// `wanted` names; elsewhere 0.
pub(super) fn open_share(
    canvas: &Canvas,
    placement: &Placement,
    twigs: &Twigs,
    time: &FrameTime,
    wanted: &(impl Fn(usize, usize) -> bool + Sync),
) -> Option<Mask> {
    let cell = if canvas.width * canvas.height > FINE_UP_TO {
        CELL
    } else {
        1
    };
    let (columns, rows) = (canvas.width.div_ceil(cell), canvas.height.div_ceil(cell));
    let middle = |k: usize, end: usize| (k * cell + cell / 2).min(end - 1);
    let mut open = vec![0u8; columns * rows];
    all_through(canvas, placement, time, |grids| {
        open.par_chunks_mut(columns).enumerate().for_each(|(j, row)| {
            let y = middle(j, canvas.height);
            let asked: Vec<(usize, usize)> = (0..columns)
                .map(|i| (i, middle(i, canvas.width)))
                .filter(|&(_, x)| wanted(x, y))
                .collect();
            if asked.is_empty() {
                return;
            }
            let mut sums = vec![0u32; columns];
            let (mut xs, mut ys) = (vec![0.0f32; canvas.width], vec![0.0f32; canvas.width]);
            for grid in grids {
                grid.row(y, 0, &mut xs, &mut ys);
                for &(i, x) in asked
                    .iter()
                    .filter(|(_, x)| xs[*x].is_finite() && ys[*x].is_finite())
                {
                    sums[i] += u32::from(twigs.open_at([xs[x], ys[x]]));
                }
            }
            for (i, _) in asked {
                row[i] = (sums[i] / grids.len() as u32) as u8;
            }
        });
    })?;
    Some(mask_of(canvas, &open, cell))
}

/// What frames see of a pixel through land.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Through {
    /// The mean of what is open, weighted as a stack that masks frames by it weights them.
    pub(super) open: f32,
    /// What that is worth, in frames that see it clear of land.
    pub(super) frames: f32,
}

/// What several frames, each of its worth and its mask of what is open, see of a pixel.
pub(super) fn seen_through(frames: &[(f32, &Mask)], x: usize, y: usize) -> Through {
    let (mut sum, mut weighted, mut squares) = (0.0, 0.0, 0.0);
    for (worth, mask) in frames {
        let open = mask.at(x, y);
        sum += worth * open;
        weighted += worth * open * open;
        squares += open * open;
    }
    match sum > 0.0 {
        true => Through {
            open: weighted / sum,
            frames: squares,
        },
        false => Through::default(),
    }
}

/// One row of coarse cells, from canvas row `y0` on: most are land or clear at a look.
fn block_row(
    y0: usize,
    cells: &mut [u8],
    columns: usize,
    canvas: &Canvas,
    grids: &[MappingGrid<'_>],
    outline: &Outline,
) {
    let line = |grid: &MappingGrid<'_>, y: usize| {
        let (mut xs, mut ys) = (vec![0.0f32; canvas.width], vec![0.0f32; canvas.width]);
        grid.row(y.min(canvas.height - 1), 0, &mut xs, &mut ys);
        (xs, ys)
    };
    let blocks = canvas.width.div_ceil(COARSE);
    let middle = |k: usize| (k * COARSE + COARSE / 2).min(canvas.width - 1);
    let mut near = vec![Vec::new(); blocks];
    let mut land = vec![false; blocks];
    for (k, grid) in grids.iter().enumerate() {
        let (xs, ys) = line(grid, y0 + COARSE / 2);
        for (block, near) in near.iter_mut().enumerate() {
            let at = [xs[middle(block)], ys[middle(block)]];
            match at.iter().all(|v| v.is_finite()).then(|| outline.look(at)) {
                Some(Look::Land) => land[block] = true,
                Some(Look::Near) => near.push(k),
                _ => {}
            }
        }
    }
    let to_look = |k: usize| (0..blocks).any(|b| !land[b] && near[b].contains(&k));
    let wanted: Vec<usize> = (0..grids.len()).filter(|&k| to_look(k)).collect();
    for (j, row) in cells.chunks_exact_mut(columns).enumerate() {
        for (column, cell) in row.iter_mut().enumerate() {
            if land[column * CELL / COARSE] {
                *cell = 0;
            }
        }
        for &k in &wanted {
            let (xs, ys) = line(&grids[k], y0 + j * CELL + CELL / 2);
            for (column, cell) in row.iter_mut().enumerate().filter(|(_, c)| **c > 0) {
                if near[column * CELL / COARSE].contains(&k) {
                    let x = (column * CELL + CELL / 2).min(canvas.width - 1);
                    if xs[x].is_finite() {
                        *cell = (*cell).min(outline.at([xs[x], ys[x]]));
                    }
                }
            }
        }
    }
}

/// The mask of a tracked frame from its own content.
pub(super) fn from_content(canvas: &Canvas, camera: &SkyCamera<'_>, land: &LandMask) -> Mask {
    mask(canvas, |pixel| match canvas.to_sky_frame(camera, pixel) {
        Some([x, y]) if land.is_land(x, y) => 0.0,
        _ => 1.0,
    })
}

/// A mask that is land wherever one of several is; `None` of none.
pub(super) fn land_of_all<'a>(masks: impl Iterator<Item = &'a Mask>, canvas: &Canvas) -> Option<Mask> {
    let all: Vec<&Mask> = masks.collect();
    (!all.is_empty()).then(|| {
        Mask::from_fn(canvas.width, canvas.height, COARSE, |x, y| {
            let at = |m: &&Mask| m.at(x as usize, y as usize);
            all.iter().map(at).fold(1.0, f32::min)
        })
    })
}

/// How well two masks agree on what is land, by the part of the smaller land that the other holds: 1 at best, 0 for what two
/// masks that know nothing of each other share by chance (after Cohen 1960, Educ. Psychol. Meas. 20, 37); 1 where one sees
/// no land. A mask by content may miss land, and is no contradiction then.
pub(super) fn agreement(a: &Mask, b: &Mask, canvas: &Canvas) -> f64 {
    let (mut both, mut of_a, mut of_b, mut all) = (0u32, 0u32, 0u32, 0u32);
    for y in (0..canvas.height).step_by(4 * COARSE) {
        for x in (0..canvas.width).step_by(4 * COARSE) {
            let (a, b) = (a.at(x, y) < 0.5, b.at(x, y) < 0.5);
            both += u32::from(a && b);
            of_a += u32::from(a);
            of_b += u32::from(b);
            all += 1;
        }
    }
    let chance = f64::from(of_a.max(of_b)) / f64::from(all.max(1));
    match of_a.min(of_b) {
        0 => 1.0,
        // Of a frame that is all land nothing can be told.
        _ if chance >= 1.0 => 1.0,
        smaller => (f64::from(both) / f64::from(smaller) - chance) / (1.0 - chance),
    }
}

fn mask(canvas: &Canvas, clear: impl Fn([f64; 2]) -> f32 + Sync) -> Mask {
    let (columns, rows) = (
        canvas.width.div_ceil(COARSE).max(1),
        canvas.height.div_ceil(COARSE).max(1),
    );
    let centre = |i: usize| (i as f64 + 0.5) * COARSE as f64 - 0.5;
    let values: Vec<f32> = (0..columns * rows)
        .into_par_iter()
        .map(|i| clear([centre(i % columns), centre(i / columns)]))
        .collect();
    Mask::from_fn(canvas.width, canvas.height, COARSE, |x, y| {
        values[(y as usize / COARSE) * columns + x as usize / COARSE]
    })
}
