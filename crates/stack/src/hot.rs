//! Hot and dead pixels: where they are.

use nightloom_raster::{Cfa, Mosaic, Plane};
use rayon::prelude::*;

use crate::noise::median_and_sigma;

/// Pixels that cannot be trusted, sorted by row, then column.
#[derive(Clone, Debug, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct HotPixels {
    /// Their places, [x, y].
    pub places: Vec<[u32; 2]>,
}

impl HotPixels {
    /// From places in any order; doubles go.
    pub fn new(mut places: Vec<[u32; 2]>) -> Self {
        places.sort_unstable_by_key(|p| (p[1], p[0]));
        places.dedup();
        Self { places }
    }
    /// Whether (x, y) is among them.
    pub fn contains(&self, x: usize, y: usize) -> bool {
        self.places
            .binary_search_by_key(&(y, x), |p| (p[1] as usize, p[0] as usize))
            .is_ok()
    }
    /// Those that are among both.
    pub fn common(mut self, other: &Self) -> Self {
        self.places
            .retain(|p| other.contains(p[0] as usize, p[1] as usize));
        self
    }
    /// All pixels of both.
    pub fn union(self, other: Self) -> Self {
        let mut places = self.places;
        places.extend(other.places);
        Self::new(places)
    }
}

/// How hot pixels are told from stars and noise.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HotSettings {
    /// In a master dark: so many σ above the level round about (common practice, no source).
    pub dark_sigma: f32,
    /// In a light frame: so many σ above all neighbours of the same colour …
    pub frame_sigma: f32,
    /// … and so many times as far above the background as the brightest neighbour of any colour.
    /// Even an undersampled star lights its neighbours: of a Gaussian of 1.2 px full width at half
    /// maximum, centred on the pixel, the nearest ones still get 0.2 of the peak.
    pub isolation: f32,
}

impl Default for HotSettings {
    fn default() -> Self {
        Self {
            dark_sigma: 8.0,
            frame_sigma: 8.0,
            isolation: 8.0,
        }
    }
}

/// Hot pixels of a master dark: far above the level round about, by the noise round about.
///
/// The level is that of the 24 nearest pixels of the same place in the filters' cell, so neither the glow of an
/// amplifier nor a channel's offset counts; the noise is the larger of the scatter of those 24 and of the
/// surrounding tile of 64 × 64 pixels (from differences along its rows, which a gradient hardly touches): where
/// glow brings its own shot noise, more is asked.
pub fn find_hot_pixels(dark: &Plane, settings: &HotSettings) -> HotPixels {
    const TILE: usize = 64;
    let (width, height) = (dark.width(), dark.height());
    let rows: Vec<usize> = (0..height).step_by(TILE).collect();
    let found: Vec<Vec<[u32; 2]>> = rows
        .par_iter()
        .map(|&y0| {
            let mut hot = Vec::new();
            for x0 in (0..width).step_by(TILE) {
                let (x1, y1) = ((x0 + TILE).min(width), (y0 + TILE).min(height));
                hot_in_tile(dark, [x0, y0], [x1, y1], settings.dark_sigma, &mut hot);
            }
            hot
        })
        .collect();
    HotPixels::new(found.concat())
}

/// Half a step of a 16-bit sensor: darks without any noise have this.
const LEAST_NOISE: f32 = 7.6e-6;

fn hot_in_tile(
    dark: &Plane,
    [x0, y0]: [usize; 2],
    [x1, y1]: [usize; 2],
    limit: f32,
    hot: &mut Vec<[u32; 2]>,
) {
    let mut steps: Vec<f32> = (y0..y1)
        .flat_map(|y| dark.row(y)[x0..x1].windows(3).map(|w| w[2] - w[0]))
        .collect();
    let noise = median_and_sigma(&mut steps).map_or(0.0, |(_, s)| s / std::f32::consts::SQRT_2);
    let noise = noise.max(LEAST_NOISE);
    for y in y0..y1 {
        let row = dark.row(y);
        for x in x0..x1 {
            // Cheap first: a hot pixel stands above one of its neighbours at least.
            let left = if x >= 2 { row[x - 2] } else { f32::MAX };
            let right = row.get(x + 2).copied().unwrap_or(f32::MAX);
            let above = row[x] - left.min(right);
            if above > 0.6 * limit * noise && stands_out(dark, x, y, noise, limit) {
                hot.push([x as u32, y as u32]);
            }
        }
    }
}

/// Level and noise come from means of pixels that lie opposite each other, so that a slope is neither.
fn stands_out(dark: &Plane, x: usize, y: usize, noise: f32, limit: f32) -> bool {
    let at = |dx: isize, dy: isize| {
        let (nx, ny) = (x.checked_add_signed(2 * dx)?, y.checked_add_signed(2 * dy)?);
        (nx < dark.width() && ny < dark.height()).then(|| dark.at(nx, ny))
    };
    let half = (1..=2)
        .map(|dx| (dx, 0))
        .chain((1..=2).flat_map(|dy| (-2..=2).map(move |dx| (dx, dy))));
    let mut pairs: Vec<f32> = half
        .filter_map(|(dx, dy)| match (at(dx, dy), at(-dx, -dy)) {
            (Some(a), Some(b)) => Some(0.5 * (a + b)),
            // At the border one of the two has to do.
            (one, other) => one.or(other),
        })
        .collect();
    median_and_sigma(&mut pairs).is_some_and(|(level, of_pair)| {
        dark.at(x, y) - level > limit * noise.max(of_pair * std::f32::consts::SQRT_2)
    })
}

/// Hot pixels of one light frame without darks, or of the mean of several, in which they stay while stars
/// move and noise falls: bright alone, their neighbours dark. Meant to miss rather than to take a star: see
/// [`HotSettings::isolation`].
pub fn find_hot_in_frame(frame: &Mosaic, settings: &HotSettings) -> HotPixels {
    let plane = &frame.plane;
    let neighbours = Neighbours::of(frame.cfa);
    let (w, h, reach) = (plane.width(), plane.height(), neighbours.reach);
    if w <= 2 * reach || h <= 2 * reach {
        return HotPixels::default();
    }
    let step = frame.cfa.side().max(2);
    let row = |y: usize| {
        let noise = row_noise(plane, y, step);
        let hot = (reach..w - reach).filter(|x| stands_alone(plane, &neighbours, [*x, y], noise, settings));
        hot.map(|x| [x as u32, y as u32]).collect::<Vec<_>>()
    };
    let found: Vec<Vec<[u32; 2]>> = (reach..h - reach).into_par_iter().map(row).collect();
    HotPixels::new(found.concat())
}

/// Where the eight nearest pixels of the same colour are that do not touch, by place in the cell.
struct Neighbours {
    cfa: Cfa,
    same: Vec<[(isize, isize); 8]>,
    reach: usize,
}

impl Neighbours {
    fn of(cfa: Cfa) -> Self {
        let side = cfa.side();
        let same: Vec<_> = (0..side * side)
            .map(|k| Self::nearest(cfa, k % side, k / side))
            .collect();
        let far = same
            .iter()
            .flatten()
            .map(|(dx, dy)| dx.unsigned_abs().max(dy.unsigned_abs()));
        let reach = far.max().unwrap_or(2);
        Self { cfa, same, reach }
    }

    /// In a Bayer cell, and without filters, those two pixels away each way.
    fn nearest(cfa: Cfa, x: usize, y: usize) -> [(isize, isize); 8] {
        let (side, own) = (cfa.side(), cfa.colour(x, y));
        let step = if side == 6 { 1 } else { 2 };
        let along = || (-4..=4isize).filter(move |d| d % step == 0);
        let colour = |dx: isize, dy: isize| {
            let at = |v: usize, d: isize| (v as isize + d).rem_euclid(side as isize) as usize;
            cfa.colour(at(x, dx), at(y, dy))
        };
        let mut places: Vec<(isize, isize)> = along()
            .flat_map(|dy| along().map(move |dx| (dx, dy)))
            .filter(|&(dx, dy)| dx.abs().max(dy.abs()) >= 2 && colour(dx, dy) == own)
            .collect();
        places.sort_by_key(|(dx, dy)| (dx * dx + dy * dy, *dy, *dx));
        std::array::from_fn(|i| places.get(i).copied().unwrap_or((2, 2)))
    }

    fn at(&self, x: usize, y: usize) -> &[(isize, isize); 8] {
        let side = self.cfa.side();
        &self.same[y % side * side + x % side]
    }
}

/// σ of same-colour neighbours' differences along a row, from their median.
fn row_noise(plane: &Plane, y: usize, step: usize) -> f32 {
    let row = plane.row(y);
    let mut d: Vec<f32> = row.iter().zip(&row[step..]).map(|(a, b)| a - b).collect();
    median_and_sigma(&mut d).map_or(0.0, |(_, s)| s / std::f32::consts::SQRT_2)
}

fn stands_alone(
    plane: &Plane,
    neighbours: &Neighbours,
    [x, y]: [usize; 2],
    noise: f32,
    settings: &HotSettings,
) -> bool {
    let v = plane.at(x, y);
    let there = |(dx, dy): (isize, isize)| plane.at(x.wrapping_add_signed(dx), y.wrapping_add_signed(dy));
    let same = neighbours.at(x, y).map(there);
    let brightest = same.iter().copied().fold(f32::MIN, f32::max);
    if v <= brightest + settings.frame_sigma * noise {
        return false;
    }
    let mut sorted = same;
    sorted.sort_unstable_by(f32::total_cmp);
    let excess = v - 0.5 * (sorted[3] + sorted[4]);
    let touching = [(0, 1), (1, 0), (1, 2), (2, 1)].map(|(dx, dy)| {
        let (nx, ny) = (x + dx - 1, y + dy - 1);
        plane.at(nx, ny) - level_round(plane, neighbours, nx, ny)
    });
    let spill = touching.iter().copied().fold(0.0, f32::max);
    excess > settings.isolation * (spill - 2.0 * noise).max(0.0)
}

/// The level of the colour of (x, y) round about, without what touches it: the median of its nearest of that colour that
/// lie on the frame.
fn level_round(plane: &Plane, neighbours: &Neighbours, x: usize, y: usize) -> f32 {
    let (w, h) = (plane.width() as isize, plane.height() as isize);
    let mut near = [0.0; 8];
    let mut n = 0;
    for (dx, dy) in neighbours.at(x, y) {
        let (nx, ny) = (x as isize + dx, y as isize + dy);
        if (0..w).contains(&nx) && (0..h).contains(&ny) {
            near[n] = plane.at(nx as usize, ny as usize);
            n += 1;
        }
    }
    near[..n].sort_unstable_by(f32::total_cmp);
    if n == 0 {
        plane.at(x, y)
    } else {
        0.5 * (near[(n - 1) / 2] + near[n / 2])
    }
}
