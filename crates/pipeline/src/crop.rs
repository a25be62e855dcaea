//! What is kept of the full canvas.

use nightloom_outing::Crop;
use nightloom_raster::Plane;

use super::canvas::{Canvas, SkyCamera};
use super::error::BuildError;

/// Cells along the longer side in which coverage is looked at.
const CELLS: usize = 256;
/// A cell is never smaller than this, pixels.
const LEAST_CELL: usize = 8;
/// Matte above which sky shows in a pixel.
const SHOWS_SKY: f32 = 0.02;
/// Of the tracked frames, so many have to see what is kept, if that costs at most a fifth of what one frame sees: at the
/// rim of a set nothing else takes the satellites out.
const SHARE_OF_FRAMES: f64 = 0.25;
/// See [`SHARE_OF_FRAMES`].
const WORTH_IT: f64 = 0.8;

/// A box of the full canvas: left, top, and the first column and row that are left out.
pub(super) type Box4 = [usize; 4];

/// The box asked for. `alpha` is the land's matte in its own pixels, `cameras` the tracked frames that are used.
pub(super) fn chosen(
    crop: Crop,
    full: &Canvas,
    alpha: &Plane,
    cameras: &[SkyCamera<'_>],
    sky_size: (usize, usize),
) -> Result<Box4, BuildError> {
    let whole = [0, 0, full.width, full.height];
    match crop {
        Crop::All => Ok(whole),
        Crop::Box([_, _, right, bottom]) if right > full.width || bottom > full.height => {
            Err(BuildError::NothingToDo {
                why: format!(
                    "picture.crop in outing.toml ends at {right}, {bottom}, but the full canvas of this picture has {} × {} px; give a box inside it, or \"covered\"",
                    full.width, full.height
                ),
            })
        }
        Crop::Box(edges) => Ok(edges),
        Crop::Covered => Ok(covered(full, alpha, cameras, sky_size).unwrap_or(whole)),
    }
}

/// The largest box in which every piece of sky lies inside tracked frames; land may lie anywhere. `None` if there is none.
fn covered(full: &Canvas, alpha: &Plane, cameras: &[SkyCamera<'_>], size: (usize, usize)) -> Option<Box4> {
    let cell = (full.width.max(full.height) / CELLS).max(LEAST_CELL);
    let (columns, rows) = (full.width.div_ceil(cell), full.height.div_ceil(cell));
    let depth = depths(full, cameras, size, cell);
    let sky = sky_cells(full, alpha, cell);
    let box_of = |least: usize| {
        let good = |i: usize, j: usize| !sky[j * columns + i] || depth[j * columns + i] >= least;
        largest_box(columns, rows, good)
    };
    let area = |b: &Box4| ((b[2] - b[0]) * (b[3] - b[1])) as f64;
    let one = box_of(1)?;
    let most = (SHARE_OF_FRAMES * cameras.len() as f64).ceil() as usize;
    let deep = box_of(most.max(1)).filter(|b| area(b) >= WORTH_IT * area(&one));
    let [left, top, right, bottom] = deep.unwrap_or(one);
    let edge = |v: usize, end: usize| (v * cell).min(end);
    Some([
        edge(left, full.width),
        edge(top, full.height),
        edge(right, full.width),
        edge(bottom, full.height),
    ])
}

/// For each cell, how many frames see all of it.
fn depths(full: &Canvas, cameras: &[SkyCamera<'_>], size: (usize, usize), cell: usize) -> Vec<usize> {
    let (columns, rows) = (full.width.div_ceil(cell), full.height.div_ceil(cell));
    let corner = |k: usize, end: usize| ((k * cell).min(end) as f64) - 0.5;
    let mut depth = vec![0; columns * rows];
    for camera in cameras {
        let mut seen = Vec::with_capacity((columns + 1) * (rows + 1));
        for j in 0..=rows {
            for i in 0..=columns {
                let at = full.to_sky_frame(camera, [corner(i, full.width), corner(j, full.height)]);
                seen.push(at.is_some_and(|p| SkyCamera::well_inside(p, size)));
            }
        }
        for (k, d) in depth.iter_mut().enumerate() {
            let first = (k / columns) * (columns + 1) + k % columns;
            let all = [first, first + 1, first + columns + 1, first + columns + 2];
            *d += usize::from(all.iter().all(|&c| seen[c]));
        }
    }
    depth
}

/// Cells in which sky shows.
fn sky_cells(full: &Canvas, alpha: &Plane, cell: usize) -> Vec<bool> {
    let (columns, rows) = (full.width.div_ceil(cell), full.height.div_ceil(cell));
    let mut sky = vec![false; columns * rows];
    for y in 0..full.height {
        let row = usize::try_from(y as i64 - full.origin[1])
            .ok()
            .filter(|y| *y < alpha.height());
        for x in 0..full.width {
            let column = usize::try_from(x as i64 - full.origin[0])
                .ok()
                .filter(|x| *x < alpha.width());
            let shows = match (column, row) {
                (Some(x), Some(y)) => alpha.at(x, y) > SHOWS_SKY,
                _ => true,
            };
            sky[(y / cell) * columns + x / cell] |= shows;
        }
    }
    sky
}

/// The largest box of good cells, by the heights of good cells above each row.
fn largest_box(columns: usize, rows: usize, good: impl Fn(usize, usize) -> bool) -> Option<Box4> {
    let mut heights = vec![0usize; columns];
    let mut best: Option<(usize, Box4)> = None;
    for row in 0..rows {
        for (column, height) in heights.iter_mut().enumerate() {
            *height = if good(column, row) { *height + 1 } else { 0 };
        }
        // Starts of boxes that are still open, with their heights, rising.
        let mut open: Vec<(usize, usize)> = Vec::new();
        for column in 0..=columns {
            let height = heights.get(column).copied().unwrap_or(0);
            let mut start = column;
            while let Some(&(from, high)) = open.last().filter(|(_, high)| *high > height) {
                open.pop();
                start = from;
                let area = high * (column - from);
                if best.is_none_or(|(most, _)| area > most) {
                    best = Some((area, [from, row + 1 - high, column, row + 1]));
                }
            }
            if height > 0 && open.last().is_none_or(|(_, high)| *high < height) {
                open.push((start, height));
            }
        }
    }
    best.map(|(_, edges)| edges)
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::{Rotation3, Vector3};
    use nightloom_optics::Lens;

    #[test]
    fn the_largest_box_is_found_as_by_trying_all() {
        let mut random = nightloom_fit::Random::new(5);
        for _ in 0..200 {
            let (columns, rows) = (1 + random.below(7), 1 + random.below(7));
            let cells: Vec<bool> = (0..columns * rows).map(|_| random.below(4) > 0).collect();
            let good = |i: usize, j: usize| cells[j * columns + i];
            let mut most = 0;
            for l in 0..columns {
                for t in 0..rows {
                    for r in l + 1..=columns {
                        for b in t + 1..=rows {
                            if (t..b).all(|j| (l..r).all(|i| good(i, j))) {
                                most = most.max((r - l) * (b - t));
                            }
                        }
                    }
                }
            }
            let found = largest_box(columns, rows, good);
            let area = found.map_or(0, |[l, t, r, b]| (r - l) * (b - t));
            assert_eq!(area, most);
            if let Some([l, t, r, b]) = found {
                assert!((t..b).all(|j| (l..r).all(|i| good(i, j))));
            }
        }
    }

    #[test]
    fn what_a_turned_camera_did_not_see_is_cropped_and_land_is_not() {
        let lens = Lens::rectilinear(700.0, 1000, 660);
        let full = Canvas::of_frame(1000, 660, lens, Rotation3::identity());
        let camera = SkyCamera {
            frame: 0,
            // 100 px to one side.
            rotation: Rotation3::from_axis_angle(&Vector3::y_axis(), (100.0f64 / 700.0).atan()),
            lens: &lens,
        };
        let all_sky = Plane::filled(1000, 660, 1.0);
        let cropped = chosen(Crop::Covered, &full, &all_sky, &[camera], (1000, 660)).unwrap();
        let lost = 1000 - (cropped[2] - cropped[0]);
        // 100 px in the middle, more along the slanting border.
        assert!((100..160).contains(&lost), "{cropped:?}");
        assert!(cropped[3] - cropped[1] > 570, "{cropped:?}");
        let all_land = Plane::filled(1000, 660, 0.0);
        let kept = chosen(Crop::Covered, &full, &all_land, &[camera], (1000, 660)).unwrap();
        assert_eq!(kept, [0, 0, 1000, 660]);
    }

    #[test]
    fn a_box_beyond_the_canvas_is_refused_in_words() {
        let lens = Lens::rectilinear(700.0, 1000, 660);
        let full = Canvas::of_frame(1000, 660, lens, Rotation3::identity());
        let alpha = Plane::filled(1000, 660, 1.0);
        let said = chosen(Crop::Box([0, 0, 1001, 660]), &full, &alpha, &[], (1000, 660))
            .unwrap_err()
            .to_string();
        assert!(said.contains("1001") && said.contains("1000 × 660"), "{said}");
    }
}
