//! Hot and dead pixels: where they are.

use nightloom_raster::{Mosaic, Plane};
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
    /// In a master dark: so many σ above the median of the dark, σ from its median absolute
    /// deviation (common practice, no source).
    pub dark_sigma: f32,
    /// In a light frame: so many σ above all neighbours of the same colour …
    pub frame_sigma: f32,
    /// … and so many times as far above the background as the brightest neighbour of any colour.
    /// Even an undersampled star lights its neighbours: of a Gaussian of 1.2 px full width at half
    /// maximum, centred on the pixel, the nearest ones still get 0.2 of the peak.
    pub isolation: f32,
    /// Share of the frames in which a pixel must be hot to count in
    /// [`find_hot_across`].
    pub share: f64,
}

impl Default for HotSettings {
    fn default() -> Self {
        Self {
            dark_sigma: 8.0,
            frame_sigma: 8.0,
            isolation: 8.0,
            share: 0.6,
        }
    }
}

/// Hot pixels of a master dark: far above the median of their surroundings, which are bands of
/// 64 rows so that amplifier glow does not count.
pub fn find_hot_pixels(dark: &Plane, settings: &HotSettings) -> HotPixels {
    const BAND: usize = 64;
    let width = dark.width().max(1);
    let band = |(b, rows): (usize, &[f32])| {
        let Some((median, sigma)) = median_and_sigma(&mut rows.to_vec()) else {
            return Vec::new();
        };
        let limit = median + settings.dark_sigma * sigma.max(f32::EPSILON);
        let hot = rows.iter().enumerate().filter(|(_, v)| **v > limit);
        hot.map(|(k, _)| [(k % width) as u32, (b * BAND + k / width) as u32])
            .collect()
    };
    let found: Vec<Vec<[u32; 2]>> = dark
        .data()
        .par_chunks(width * BAND)
        .enumerate()
        .map(band)
        .collect();
    HotPixels::new(found.concat())
}

/// Hot pixels of one light frame without darks: bright alone, their neighbours dark. Meant to miss
/// rather than to take a star: see [`HotSettings::isolation`].
pub fn find_hot_in_frame(frame: &Mosaic, settings: &HotSettings) -> HotPixels {
    let plane = &frame.plane;
    let (w, h) = (plane.width(), plane.height());
    if w < 5 || h < 5 {
        return HotPixels::default();
    }
    let row = |y: usize| {
        let noise = row_noise(plane, y);
        let hot = (2..w - 2).filter(|x| stands_alone(plane, *x, y, noise, settings));
        hot.map(|x| [x as u32, y as u32]).collect::<Vec<_>>()
    };
    let found: Vec<Vec<[u32; 2]>> = (2..h - 2).into_par_iter().map(row).collect();
    HotPixels::new(found.concat())
}

/// Pixels found hot in at least [`HotSettings::share`] of several light frames: the sky moved over
/// the sensor between them or it did not, a hot pixel stays.
pub fn find_hot_across(found: &[HotPixels], settings: &HotSettings) -> HotPixels {
    let needed = ((found.len() as f64 * settings.share).ceil() as usize).max(1);
    let mut all: Vec<[u32; 2]> = found.iter().flat_map(|f| f.places.iter().copied()).collect();
    all.sort_unstable_by_key(|p| (p[1], p[0]));
    let groups = all.chunk_by(|a, b| a == b);
    HotPixels::new(groups.filter(|g| g.len() >= needed).map(|g| g[0]).collect())
}

/// σ of same-colour neighbours' differences along a row, from their median.
fn row_noise(plane: &Plane, y: usize) -> f32 {
    let row = plane.row(y);
    let mut d: Vec<f32> = row.iter().zip(&row[2..]).map(|(a, b)| a - b).collect();
    median_and_sigma(&mut d).map_or(0.0, |(_, s)| s / std::f32::consts::SQRT_2)
}

fn stands_alone(plane: &Plane, x: usize, y: usize, noise: f32, settings: &HotSettings) -> bool {
    let v = plane.at(x, y);
    let same = [(0, 2), (2, 0), (2, 4), (4, 2), (0, 0), (4, 0), (0, 4), (4, 4)];
    let same = same.map(|(dx, dy)| plane.at(x + dx - 2, y + dy - 2));
    let brightest = same.iter().copied().fold(f32::MIN, f32::max);
    if v <= brightest + settings.frame_sigma * noise {
        return false;
    }
    let mut sorted = same;
    sorted.sort_unstable_by(f32::total_cmp);
    let excess = v - 0.5 * (sorted[3] + sorted[4]);
    let touching = [(0, 1), (1, 0), (1, 2), (2, 1)].map(|(dx, dy)| {
        let (nx, ny) = (x + dx - 1, y + dy - 1);
        plane.at(nx, ny) - level_round(plane, nx, ny)
    });
    let spill = touching.iter().copied().fold(0.0, f32::max);
    excess > settings.isolation * (spill - 2.0 * noise).max(0.0)
}

/// The level of the colour of (x, y) round about, without the four places that touch its
/// neighbour: the median of the pixels two away that lie on the frame.
fn level_round(plane: &Plane, x: usize, y: usize) -> f32 {
    let (w, h) = (plane.width() as isize, plane.height() as isize);
    let mut near = [0.0; 8];
    let mut n = 0;
    for (dx, dy) in [
        (-2, 0),
        (2, 0),
        (0, -2),
        (0, 2),
        (-2, -2),
        (2, -2),
        (-2, 2),
        (2, 2),
    ] {
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
