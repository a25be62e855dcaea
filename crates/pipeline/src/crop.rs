//! What is kept of the full canvas.

use nightloom_outing::Crop;
use nightloom_raster::Plane;

use super::canvas::{Canvas, SkyCamera};
use nightloom_journal::BuildError;

/// Cells along the longer side in which coverage is looked at.
const CELLS: usize = 256;
/// A cell is never smaller than this, pixels.
const LEAST_CELL: usize = 8;
/// Mean of the matte above which sky shows in a cell.
const SHOWS_SKY: f32 = 0.02;
/// Patches of sky of this share of the canvas and less are specks.
const SPECK: f64 = 0.002;
/// Cells that a picture may grow by for one that no tracked frame covers.
const PRICE: i64 = 20;
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

/// The largest box whose sky lies inside tracked frames; land may lie anywhere, and stays where it is the picture's foot.
/// `None` if there is none.
fn covered(full: &Canvas, alpha: &Plane, cameras: &[SkyCamera<'_>], size: (usize, usize)) -> Option<Box4> {
    let cell = (full.width.max(full.height) / CELLS).max(LEAST_CELL);
    let (columns, rows) = (full.width.div_ceil(cell), full.height.div_ceil(cell));
    let depth = depths(full, cameras, size, cell);
    let sky = sky_cells(full, alpha, cell);
    let ground = (0..columns).filter(|i| !sky[(rows - 1) * columns + i]).count();
    let box_of = |least: usize| {
        let good = |i: usize, j: usize| !sky[j * columns + i] || depth[j * columns + i] >= least;
        match 2 * ground > columns {
            // What stands on the ground is the picture's foot.
            true => best_on_the_ground(columns, rows, good),
            false => largest_box(columns, rows, good),
        }
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

/// Cells in which sky shows, but for specks of it within land.
fn sky_cells(full: &Canvas, alpha: &Plane, cell: usize) -> Vec<bool> {
    let (columns, rows) = (full.width.div_ceil(cell), full.height.div_ceil(cell));
    let mut shown = vec![0.0f32; columns * rows];
    for y in 0..full.height {
        let row = usize::try_from(y as i64 - full.origin[1])
            .ok()
            .filter(|y| *y < alpha.height());
        for x in 0..full.width {
            let column = usize::try_from(x as i64 - full.origin[0])
                .ok()
                .filter(|x| *x < alpha.width());
            shown[(y / cell) * columns + x / cell] += match (column, row) {
                (Some(x), Some(y)) => alpha.at(x, y),
                _ => 1.0,
            };
        }
    }
    let mut sky: Vec<bool> = shown
        .iter()
        .map(|s| *s > SHOWS_SKY * (cell * cell) as f32)
        .collect();
    let specks = specks(&sky, columns);
    specks.into_iter().for_each(|k| sky[k] = false);
    sky
}

/// Cells of patches of sky that are too small to crop a picture for.
fn specks(sky: &[bool], columns: usize) -> Vec<usize> {
    let least = (SPECK * sky.len() as f64) as usize;
    let mut seen = vec![false; sky.len()];
    let mut found = Vec::new();
    for first in 0..sky.len() {
        if !sky[first] || std::mem::replace(&mut seen[first], true) {
            continue;
        }
        let mut patch = vec![first];
        let mut next = 0;
        while let Some(&k) = patch.get(next) {
            next += 1;
            let beside = [
                (k % columns > 0).then(|| k - 1),
                (k % columns + 1 < columns).then_some(k + 1),
                k.checked_sub(columns),
                Some(k + columns).filter(|q| *q < sky.len()),
            ];
            for q in beside.into_iter().flatten() {
                if sky[q] && !std::mem::replace(&mut seen[q], true) {
                    patch.push(q);
                }
            }
        }
        if patch.len() <= least {
            found.extend(patch);
        }
    }
    found
}

/// The box down to the last row that is worth most: its cells, less [`PRICE`] for each that is not good. So a strip of bare
/// sky over the ridge costs no ridge, and a bare corner is cropped.
fn best_on_the_ground(columns: usize, rows: usize, good: impl Fn(usize, usize) -> bool) -> Option<Box4> {
    // Worth of each column from each row down.
    let mut worth = vec![0i64; columns * rows];
    for j in (0..rows).rev() {
        for i in 0..columns {
            let below = if j + 1 < rows {
                worth[(j + 1) * columns + i]
            } else {
                0
            };
            worth[j * columns + i] = below + if good(i, j) { 1 } else { 1 - PRICE };
        }
    }
    let mut best: Option<(i64, Box4)> = None;
    for top in 0..rows {
        // The run of columns of the largest sum (Bentley 1984).
        let (mut sum, mut from) = (0, 0);
        for i in 0..columns {
            if sum <= 0 {
                (sum, from) = (0, i);
            }
            sum += worth[top * columns + i];
            if best.is_none_or(|(most, _)| sum > most) {
                best = Some((sum, [from, top, i + 1, rows]));
            }
        }
    }
    best.filter(|(sum, _)| *sum > 0).map(|(_, edges)| edges)
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
    fn the_land_stays_and_a_bare_side_goes() {
        // 40 × 90 cells: bare sky in the last six columns, and one row of it over the ridge everywhere.
        let good = |i: usize, j: usize| j >= 60 || (i < 34 && j != 59);
        assert_eq!(best_on_the_ground(40, 90, good), Some([0, 0, 34, 90]));
        // A bare top goes too.
        assert_eq!(best_on_the_ground(40, 30, |_, j| j > 3), Some([0, 4, 40, 30]));
        assert_eq!(best_on_the_ground(40, 30, |_, _| false), None);
    }

    #[test]
    fn a_speck_of_sky_within_land_crops_nothing() {
        // Columns 0 to 9 and rows 0 to 99: sky above row 40, a speck and a window below it.
        let sky: Vec<bool> = (0..1000)
            .map(|k| k / 10 < 40 || k == 705 || (800..830).contains(&k) && k % 10 < 4)
            .collect();
        let found = specks(&sky, 10);
        assert_eq!(found, [705]);
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
