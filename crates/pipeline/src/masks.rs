//! Which part of each tracked frame is clean sky.
//!
//! The land moves through a tracked frame. Where it was at each moment follows from the land
//! frames' matte and the turning of the sky, without looking at the smeared land itself; only
//! where the pole or the times are not known does each frame's own content decide.

use nightloom_raster::Plane;
use nightloom_stack::{MappingGrid, Mask};
use nightloom_stars::LandMask;
use rayon::prelude::*;

use super::canvas::{Canvas, SkyCamera};
use super::place::{EARTH_RATE, Placement};
use nightloom_outing::FrameTime;

/// Side of a mask cell, and the margin kept from the land, pixels.
const CELL: usize = 8;
/// Moments of an exposure at which the land is looked up, at most.
const MOST_MOMENTS: usize = 64;
/// Mappings are sampled at every so many pixels; they are far smoother than that.
const GRID: usize = 64;

/// The sky part of the land frame in cells: the least matte of a cell and its neighbours.
pub(super) fn sure_sky(matte: &Plane, canvas: &Canvas, size: (usize, usize)) -> Plane {
    let (columns, rows) = (size.0.div_ceil(CELL), size.1.div_ceil(CELL));
    let [ox, oy] = canvas.origin.map(|v| v.max(0) as usize);
    let least = |column: usize, row: usize| {
        let mut low = 1.0f32;
        for y in row * CELL..((row + 1) * CELL).min(size.1) {
            for x in column * CELL..((column + 1) * CELL).min(size.0) {
                low = low.min(matte.at(x + ox, y + oy));
            }
        }
        low
    };
    let cells = Plane::from_fn(columns, rows, least);
    Plane::from_fn(columns, rows, |column, row| {
        let mut low = 1.0f32;
        for y in row.saturating_sub(1)..(row + 2).min(rows) {
            for x in column.saturating_sub(1)..(column + 2).min(columns) {
                low = low.min(cells.at(x, y));
            }
        }
        low
    })
}

/// The mask of a tracked frame on the canvas from the land's matte; `None` without a known pole.
pub(super) fn from_turning(
    canvas: &Canvas,
    placement: &Placement,
    sure: &Plane,
    time: &FrameTime,
) -> Option<Mask> {
    // Between two moments the land moves by less than a cell.
    let motion_px = EARTH_RATE * time.exposure_s * canvas.lens.focal_px * 1.5;
    let count = ((motion_px / CELL as f64).ceil() as usize + 2).min(MOST_MOMENTS);
    let (columns, rows) = (
        canvas.width.div_ceil(CELL).max(1),
        canvas.height.div_ceil(CELL).max(1),
    );
    let mut clear = vec![1.0f32; columns * rows];
    for k in 0..count {
        let then = time
            .start
            .plus_seconds(time.exposure_s * k as f64 / (count - 1) as f64);
        let (rotation, air) = (placement.rotation_at(then)?, placement.air_at(then));
        let mapping = |pixel: [f64; 2]| canvas.to_land_frame(&rotation, air.as_ref(), pixel);
        let grid = MappingGrid::new(&mapping, canvas.width, canvas.height, GRID);
        clear
            .par_chunks_mut(columns)
            .enumerate()
            .for_each(|(row, cells)| {
                let y = (row * CELL + CELL / 2).min(canvas.height - 1);
                let (mut xs, mut ys) = (vec![0.0; canvas.width], vec![0.0; canvas.width]);
                grid.row(y, 0, &mut xs, &mut ys);
                for (column, cell) in cells.iter_mut().enumerate() {
                    let x = (column * CELL + CELL / 2).min(canvas.width - 1);
                    if xs[x].is_finite() {
                        *cell = cell.min(cell_at(sure, [f64::from(xs[x]), f64::from(ys[x])]));
                    }
                }
            });
    }
    Some(Mask::from_fn(canvas.width, canvas.height, CELL, |x, y| {
        clear[(y as usize / CELL) * columns + x as usize / CELL]
    }))
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
        Mask::from_fn(canvas.width, canvas.height, CELL, |x, y| {
            let at = |m: &&Mask| m.at(x as usize, y as usize);
            all.iter().map(at).fold(1.0, f32::min)
        })
    })
}

/// Of what two masks call land, the part of the smaller that the other holds; 1 where one sees none. A mask by
/// content may miss land, and is no contradiction then.
pub(super) fn agreement(a: &Mask, b: &Mask, canvas: &Canvas) -> f64 {
    let (mut both, mut of_a, mut of_b) = (0u32, 0u32, 0u32);
    for y in (0..canvas.height).step_by(4 * CELL) {
        for x in (0..canvas.width).step_by(4 * CELL) {
            let (a, b) = (a.at(x, y) < 0.5, b.at(x, y) < 0.5);
            both += u32::from(a && b);
            of_a += u32::from(a);
            of_b += u32::from(b);
        }
    }
    match of_a.min(of_b) {
        0 => 1.0,
        smaller => f64::from(both) / f64::from(smaller),
    }
}

fn mask(canvas: &Canvas, clear: impl Fn([f64; 2]) -> f32 + Sync) -> Mask {
    let (columns, rows) = (
        canvas.width.div_ceil(CELL).max(1),
        canvas.height.div_ceil(CELL).max(1),
    );
    let centre = |i: usize| (i as f64 + 0.5) * CELL as f64 - 0.5;
    let values: Vec<f32> = (0..columns * rows)
        .into_par_iter()
        .map(|i| clear([centre(i % columns), centre(i / columns)]))
        .collect();
    Mask::from_fn(canvas.width, canvas.height, CELL, |x, y| {
        values[(y as usize / CELL) * columns + x as usize / CELL]
    })
}

/// The cell under a land frame pixel; outside the frame the nearest one answers.
fn cell_at(cells: &Plane, [x, y]: [f64; 2]) -> f32 {
    let place = |v: f64, n: usize| (((v + 0.5) / CELL as f64).max(0.0) as usize).min(n - 1);
    cells.at(place(x, cells.width()), place(y, cells.height()))
}
