//! How bright the sky is, place by place.

use nalgebra::SVector;
use nightloom_fit::{Normal, median_and_sigma, median_of};

use super::sample::{Band, MeasuredStar};
use super::solve::Fit;
use super::{LightInput, WINGS_MAG};
use crate::{BlindIdentification, Field};

/// The sky behind the stars. V magnitudes per square arcsecond as seen from the ground: what the air takes
/// from the stars' light is not added, as is usual for sky brightness (Duriscoe, Luginbuhl & Moore 2007,
/// PASP 119, 192, §3). Stars too faint to be told apart are in it, as is dark current that was not
/// subtracted.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct SkyLight {
    /// Median over the sky in the frame.
    pub mag_arcsec2: f64,
    /// Standard deviation of that, the systematic part (colour, all of a star's light, black) included.
    pub sigma: f64,
    /// The sky's colour as a star's B−V, from its red and blue; assumed where there is one colour.
    pub b_v: f64,
    /// The darkest place.
    pub darkest: SkySpot,
    /// The highest place, if place and time are known.
    pub highest: Option<SkySpot>,
    /// The whole frame.
    pub map: SkyMap,
    /// How much darker the corner's background is than the middle's, stops: the lens's fall-off on an even
    /// surface and the sky's own, a slope across the frame taken out.
    pub corner_stops: f64,
}

/// One place of the sky.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
pub struct SkySpot {
    /// Brightness.
    pub mag_arcsec2: f64,
    /// Right.
    pub x_px: f64,
    /// Down.
    pub y_px: f64,
    /// Apparent altitude, if place and time are known.
    pub altitude_deg: Option<f64>,
}

/// Brightness on a grid over the frame.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct SkyMap {
    /// Cells across.
    pub columns: usize,
    /// Cells down.
    pub rows: usize,
    /// Row by row; `None` where there is land or no sky.
    pub mag_arcsec2: Vec<Option<f64>>,
}

/// Cells of the map along the longer side.
const CELLS: usize = 24;
/// B−V of a dark sky (Patat 2003, A&A 400, 1183, table 4: B 22.63, V 21.61), and its spread.
const DARK_SKY_BV: (f64, f64) = (1.0, 0.4);
/// Part of a sky's spectrum in lines that a star of its colour has not, as an error of V, magnitudes.
const SPECTRUM_MAG: f64 = 0.05;
/// Error where the file has a tone curve of its own that the stars did not betray, magnitudes.
const TONES_MAG: f64 = 0.3;
/// Square arcseconds in a steradian.
const ARCSEC2: f64 = 206_264.806 * 206_264.806;

/// A cell of the sky.
#[derive(Clone, Copy)]
struct Cell {
    at: [f64; 2],
    level: [f64; 3],
    mag: f64,
    altitude_deg: Option<f64>,
}

pub(super) fn sky(
    input: &LightInput<'_>,
    samples: &[MeasuredStar],
    bands: &[Band],
    fit: &Fit,
) -> Option<SkyLight> {
    let (grid, mut cells) = levels(input, bands);
    let (b_v, b_v_sigma) = colour(input, samples, &cells);
    let seconds = input.exposure_s.unwrap_or(1.0);
    for cell in cells.iter_mut().flatten() {
        let solid = input.found.solid_angle(cell.at)? * ARCSEC2;
        let zero = fit.zero_at(input.found.off_axis(cell.at, input.field), b_v);
        cell.mag = zero - 2.5 * (cell.level[0] / (seconds * solid)).log10();
        cell.altitude_deg = input.overhead.and_then(|overhead| {
            let up = overhead.ground_from_icrs * input.found.direction(cell.at)?;
            Some(up.z.clamp(-1.0, 1.0).asin().to_degrees())
        });
    }
    let seen: Vec<Cell> = cells
        .iter()
        .flatten()
        .copied()
        .filter(|c| c.mag.is_finite())
        .collect();
    let mag = median_of(seen.iter().map(|c| c.mag)).unwrap_or(0.0);
    let spot = |c: &Cell| SkySpot {
        mag_arcsec2: c.mag,
        x_px: c.at[0],
        y_px: c.at[1],
        altitude_deg: c.altitude_deg,
    };
    let typical = median_of(seen.iter().map(|c| c.level[0])).unwrap_or(0.0);
    let black = 1.0857 * input.black_sigma / typical.max(1e-9);
    let row = SVector::from([1.0, b_v, 0.0, -0.3, -0.1]);
    let parts = [
        fit.sigma_of(&row),
        fit.values[1] * b_v_sigma,
        SPECTRUM_MAG,
        WINGS_MAG,
        black,
        if input.was_linear { 0.0 } else { TONES_MAG },
    ];
    Some(SkyLight {
        mag_arcsec2: mag,
        sigma: parts.iter().map(|p| p * p).sum::<f64>().sqrt(),
        b_v,
        darkest: spot(&darkest(&cells, grid)?),
        highest: seen
            .iter()
            .filter(|c| c.altitude_deg.is_some())
            .max_by(|a, b| {
                a.altitude_deg
                    .partial_cmp(&b.altitude_deg)
                    .unwrap_or(std::cmp::Ordering::Equal)
            })
            .map(spot),
        corner_stops: corner(input, &seen),
        map: SkyMap {
            columns: grid[0],
            rows: grid[1],
            mag_arcsec2: cells
                .iter()
                .map(|c| c.map(|c| c.mag).filter(|m| m.is_finite()))
                .collect(),
        },
    })
}

/// How much a cell of sky differs from the next at most, magnitudes: beyond is land that was not recognised.
const STEADY_MAG: f64 = 0.3;

/// The darkest cell among those like all their neighbours; among all where none is.
fn darkest(cells: &[Option<Cell>], [columns, rows]: [usize; 2]) -> Option<Cell> {
    let at = |column: usize, row: usize| cells[row * columns + column].filter(|c| c.mag.is_finite());
    let steady = |i: usize, cell: &Cell| {
        let (column, row) = (i % columns, i / columns);
        let beside = [
            (column > 0).then(|| at(column - 1, row)),
            (column + 1 < columns).then(|| at(column + 1, row)),
            (row > 0).then(|| at(column, row - 1)),
            (row + 1 < rows).then(|| at(column, row + 1)),
        ];
        let like = |other: &Option<Cell>| other.is_some_and(|o| (o.mag - cell.mag).abs() < STEADY_MAG);
        beside.iter().flatten().all(like)
    };
    let all = || {
        let sound = |(i, c): (usize, &Option<Cell>)| c.filter(|c| c.mag.is_finite()).map(|c| (i, c));
        cells.iter().enumerate().filter_map(sound)
    };
    let darker = |a: &(usize, Cell), b: &(usize, Cell)| a.1.mag.total_cmp(&b.1.mag);
    let found = all().filter(|(i, c)| steady(*i, c)).max_by(darker);
    found.or_else(|| all().max_by(darker)).map(|(_, cell)| cell)
}

/// The levels of each colour in square cells; `None` on land and where there is none.
fn levels(input: &LightInput<'_>, bands: &[Band]) -> ([usize; 2], Vec<Option<Cell>>) {
    let (width, height) = (input.field.width, input.field.height);
    let side = width.max(height).div_ceil(CELLS).max(8);
    let grid = [width.div_ceil(side), height.div_ceil(side)];
    let land = input.field.land.grown(1);
    let share = |column: usize, row: usize| {
        let inside = |i: usize, n: usize| (n as f64 + 0.5) / 5.0 * side as f64 + (i * side) as f64;
        let spots = (0..25).map(|n| [inside(column, n % 5), inside(row, n / 5)]);
        let sky = spots.filter(|p| p[0] < width as f64 && p[1] < height as f64 && !land.is_land(p[0], p[1]));
        sky.count()
    };
    let cells = (0..grid[0] * grid[1])
        .map(|i| {
            let (column, row) = (i % grid[0], i / grid[0]);
            let middle = |i: usize, n: usize| 0.5 * ((i * side) + ((i + 1) * side).min(n) - 1) as f64;
            let at = [middle(column, width), middle(row, height)];
            // Half a cell of sky suffices.
            (share(column, row) >= 13).then(|| Cell {
                at,
                level: [0, 1, 2].map(|c| {
                    bands
                        .get(c)
                        .map_or(0.0, |b| f64::from(b.sky.level_at(at[0], at[1])))
                }),
                mag: f64::NAN,
                altitude_deg: None,
            })
        })
        .collect();
    (grid, cells)
}

/// The B−V of a star of the sky's red over blue, and its standard deviation.
fn colour(input: &LightInput<'_>, samples: &[MeasuredStar], cells: &[Option<Cell>]) -> (f64, f64) {
    if input.colours != 3 {
        return DARK_SKY_BV;
    }
    let ratio = median_of(
        cells
            .iter()
            .flatten()
            .map(|c| -2.5 * (c.level[2] / c.level[1]).log10()),
    );
    let points: Vec<(f64, f64)> = samples
        .iter()
        .filter(|s| s.seen_mag.len() == 3)
        .map(|s| (s.seen_mag[2] - s.seen_mag[1], s.b_v))
        .collect();
    let (Some((level, slope)), Some(ratio)) = (line(&points), ratio) else {
        return DARK_SKY_BV;
    };
    ((level + slope * ratio).clamp(-0.3, 2.0), 0.2)
}

/// Least squares, repeated without what lies far off.
fn line(points: &[(f64, f64)]) -> Option<(f64, f64)> {
    let (mut level, mut slope, mut reach) = (0.0, 0.0, f64::INFINITY);
    for _ in 0..5 {
        let kept: Vec<&(f64, f64)> = points
            .iter()
            .filter(|p| (p.1 - level - slope * p.0).abs() < reach)
            .collect();
        let n = kept.len() as f64;
        if n < 8.0 {
            return None;
        }
        let (mx, my) = (
            kept.iter().map(|p| p.0).sum::<f64>() / n,
            kept.iter().map(|p| p.1).sum::<f64>() / n,
        );
        let xx: f64 = kept.iter().map(|p| (p.0 - mx).powi(2)).sum();
        if xx < 1e-6 {
            return None;
        }
        slope = kept.iter().map(|p| (p.0 - mx) * (p.1 - my)).sum::<f64>() / xx;
        level = my - slope * mx;
        let mut left: Vec<f64> = points.iter().map(|p| p.1 - level - slope * p.0).collect();
        reach = 3.0 * median_and_sigma(&mut left)?.1.max(0.02);
    }
    Some((level, slope))
}

/// Background's fall from the middle to the corner, stops, beside a slope across the frame.
fn corner(input: &LightInput<'_>, cells: &[Cell]) -> f64 {
    let half = 0.5 * (input.field.width as f64).hypot(input.field.height as f64);
    let middle = [0.5 * input.field.width as f64, 0.5 * input.field.height as f64];
    let mut normal = Normal::with_ridge([1e-3; 5]);
    for cell in cells.iter().filter(|c| c.level[0] > 0.0) {
        let [x, y] = [0, 1].map(|k| (cell.at[k] - middle[k]) / half);
        let h2 = input.found.off_axis(cell.at, input.field).powi(2);
        normal.add([1.0, x, y, h2, h2 * h2], cell.level[0].log2(), 1.0);
    }
    normal.solve().map_or(0.0, |s| -(s[3] + s[4]))
}

impl BlindIdentification {
    /// Distance of a pixel from the lens's axis in halves of the frame's diagonal.
    pub(crate) fn off_axis(&self, pixel: [f64; 2], field: &Field) -> f64 {
        let [x, y] = self.on_lens(pixel);
        let centre = self.found.lens.centre_px;
        let half = 0.5 * (field.width as f64).hypot(field.height as f64);
        (x - centre[0]).hypot(y - centre[1]) / half
    }

    /// The part of the sky a pixel sees, steradians; `None` outside the lens's image.
    pub fn solid_angle(&self, pixel: [f64; 2]) -> Option<f64> {
        let scale = self.found.lens.scale_at(self.on_lens(pixel))?;
        Some(scale.radial.rad() * scale.tangential.rad())
    }
}
