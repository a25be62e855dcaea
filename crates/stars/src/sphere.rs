//! Directions sorted into bands of declination and cells along them.

use nalgebra::Vector3;

/// A grid over the celestial sphere for unit vectors.
pub(crate) struct SphereGrid {
    cell: f64,
    /// First cell of each band and its number of cells.
    bands: Vec<(usize, usize)>,
    first: Vec<u32>,
    order: Vec<u32>,
    directions: Vec<Vector3<f64>>,
}

impl SphereGrid {
    /// Sorts unit vectors into cells of about `cell` radians.
    pub(crate) fn new(directions: Vec<Vector3<f64>>, cell: f64) -> Self {
        let cell = cell.clamp(0.003, 0.5);
        let count = (std::f64::consts::PI / cell).ceil() as usize;
        let mut next = 0;
        let bands: Vec<(usize, usize)> = (0..count)
            .map(|b| {
                let middle = (b as f64 + 0.5) * cell - std::f64::consts::FRAC_PI_2;
                let cells = ((std::f64::consts::TAU * middle.cos().max(0.0) / cell).ceil() as usize).max(1);
                next += cells;
                (next - cells, cells)
            })
            .collect();
        let mut grid = Self {
            cell,
            bands,
            first: vec![0; next + 1],
            order: vec![0; directions.len()],
            directions,
        };
        let cells: Vec<usize> = grid.directions.iter().map(|d| grid.cell_of(d)).collect();
        for c in &cells {
            grid.first[c + 1] += 1;
        }
        for i in 1..grid.first.len() {
            grid.first[i] += grid.first[i - 1];
        }
        let mut at = grid.first.clone();
        for (i, c) in cells.iter().enumerate() {
            grid.order[at[*c] as usize] = i as u32;
            at[*c] += 1;
        }
        grid
    }

    fn band(&self, latitude: f64) -> isize {
        ((latitude + std::f64::consts::FRAC_PI_2) / self.cell).floor() as isize
    }

    fn cell_of(&self, d: &Vector3<f64>) -> usize {
        let band = self
            .band(d.z.clamp(-1.0, 1.0).asin())
            .clamp(0, self.bands.len() as isize - 1) as usize;
        let (first, cells) = self.bands[band];
        let along = d.y.atan2(d.x).rem_euclid(std::f64::consts::TAU) / std::f64::consts::TAU;
        first + ((along * cells as f64) as usize).min(cells - 1)
    }

    /// Calls `visit` with the index and squared chord of each direction within `reach` radians.
    pub(crate) fn within(&self, d: &Vector3<f64>, reach: f64, mut visit: impl FnMut(usize, f64)) {
        use std::f64::consts::{FRAC_PI_2, TAU};
        let latitude = d.z.clamp(-1.0, 1.0).asin();
        let longitude = d.y.atan2(d.x).rem_euclid(TAU);
        let last = self.bands.len() as isize - 1;
        let chord2 = (2.0 * (0.5 * reach).sin()).powi(2);
        let widest = (latitude.abs() + reach).min(FRAC_PI_2);
        let half = if widest >= FRAC_PI_2 - 1e-6 {
            TAU
        } else {
            (reach.sin() / widest.cos()).min(1.0).asin() * 1.0001
        };
        for band in self.band(latitude - reach).clamp(0, last)..=self.band(latitude + reach).clamp(0, last) {
            let (first, cells) = self.bands[band as usize];
            let place = |v: f64| (v / TAU * cells as f64).floor() as isize;
            let (from, to) = (place(longitude - half), place(longitude + half));
            let (from, to) = if to - from + 1 >= cells as isize {
                (0, cells as isize - 1)
            } else {
                (from, to)
            };
            for c in from..=to {
                let cell = first + c.rem_euclid(cells as isize) as usize;
                for &i in &self.order[self.first[cell] as usize..self.first[cell + 1] as usize] {
                    let d2 = (self.directions[i as usize] - d).norm_squared();
                    if d2 <= chord2 {
                        visit(i as usize, d2);
                    }
                }
            }
        }
    }

    /// Whether any direction lies within `reach` radians.
    pub(crate) fn any(&self, d: &Vector3<f64>, reach: f64) -> bool {
        let mut found = false;
        self.within(d, reach, |_, _| found = true);
        found
    }
}
