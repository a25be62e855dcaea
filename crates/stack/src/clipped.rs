//! Saturated highlights: where they are, and without false colour.

use nightloom_raster::{Plane, Rgb};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

/// Share of saturation above which a channel begins to be distrusted …
const DOUBTFUL: f32 = 0.80;
/// … and above which nothing is known of the colour.
const CLIPPED: f32 = 0.97;
/// Demosaicing carries a clipped pixel's error this far.
const SPILL_PX: u32 = 2;

/// Where a frame tells only “at least this much”: runs of doubtful pixels, row by row.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Clipped {
    /// Row, first column, and the column after the last, in order.
    runs: Vec<[u32; 3]>,
}

impl Clipped {
    /// From what is doubtful in each row.
    fn from_rows(rows: impl Iterator<Item = Vec<[u32; 2]>>) -> Self {
        let rows = (0u32..).zip(rows);
        Self {
            runs: rows
                .flat_map(|(y, runs)| runs.into_iter().map(move |[a, b]| [y, a, b]))
                .collect(),
        }
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.runs.is_empty()
    }

    /// Number of doubtful pixels.
    pub fn pixels(&self) -> usize {
        self.runs.iter().map(|r| (r[2] - r[1]) as usize).sum()
    }

    /// Whether a pixel, or one that demosaicing mixed with it, is doubtful.
    pub fn contains(&self, x: usize, y: usize) -> bool {
        let (x, y) = (x as u32, y as u32);
        let from = self.runs.partition_point(|r| r[0] + SPILL_PX < y);
        let near = self.runs[from..].iter().take_while(|r| r[0] <= y + SPILL_PX);
        near.into_iter()
            .any(|r| r[1] <= x + SPILL_PX && x < r[2] + SPILL_PX)
    }
}

/// Turns clipped pixels of a camera picture white, and tells which pixels are doubtful.
///
/// Where one channel has reached the sensor's saturation, white balance would tint what is really
/// brighter than the sensor can tell (magenta, mostly). There the balanced channels are drawn to
/// their common mean. `flat` is the master flat the picture was divided by: saturation lies at
/// 1/flat after that. Pixels below 0.80 of saturation are not touched.
pub fn whiten_clipped(picture: &mut Rgb, white_balance: [f32; 3], flat: Option<&Plane>) -> Clipped {
    let width = picture.width().max(1);
    let [red, green, blue] = picture
        .planes_mut()
        .each_mut()
        .map(|p| p.data_mut().par_chunks_mut(width));
    let rows: Vec<Vec<[u32; 2]>> = red
        .zip(green)
        .zip(blue)
        .enumerate()
        .map(|(y, ((red, green), blue))| {
            whiten_row([red, green, blue], white_balance, flat.map(|f| f.row(y)))
        })
        .collect();
    Clipped::from_rows(rows.into_iter())
}

fn whiten_row([red, green, blue]: [&mut [f32]; 3], balance: [f32; 3], flat: Option<&[f32]>) -> Vec<[u32; 2]> {
    let mut runs: Vec<[u32; 2]> = Vec::new();
    for (x, ((r, g), b)) in red.iter_mut().zip(green).zip(blue).enumerate() {
        let share = r.max(*g).max(*b) * flat.map_or(1.0, |f| f[x]);
        if share <= DOUBTFUL {
            continue;
        }
        let t = ((share - DOUBTFUL) / (CLIPPED - DOUBTFUL)).min(1.0);
        [*r, *g, *b] = drawn_to_white([*r, *g, *b], balance, t * t * (3.0 - 2.0 * t));
        let x = x as u32;
        match runs.last_mut().filter(|run| run[1] == x) {
            Some(run) => run[1] = x + 1,
            None => runs.push([x, x + 1]),
        }
    }
    runs
}

fn drawn_to_white(camera: [f32; 3], white_balance: [f32; 3], how_far: f32) -> [f32; 3] {
    let balanced: [f32; 3] = std::array::from_fn(|c| camera[c] * white_balance[c]);
    let mean = balanced.iter().sum::<f32>() / 3.0;
    std::array::from_fn(|c| (balanced[c] + (mean - balanced[c]) * how_far) / white_balance[c])
}

#[cfg(test)]
mod tests {
    use super::*;

    const BALANCE: [f32; 3] = [2.1, 1.0, 1.6];

    #[test]
    fn a_clipped_pixel_comes_out_white_and_a_dim_one_untouched() {
        let mut picture = Rgb::filled(9, 1, [1.0; 3]);
        let dim = [0.2, 0.5, 0.3];
        for x in 1..9 {
            for (plane, v) in picture.planes_mut().iter_mut().zip(dim) {
                *plane.at_mut(x, 0) = v;
            }
        }
        let clipped = whiten_clipped(&mut picture, BALANCE, None);
        let shown: Vec<f32> = picture.at(0, 0).iter().zip(BALANCE).map(|(v, b)| v * b).collect();
        assert!(shown.iter().all(|v| (v - shown[0]).abs() < 1e-6), "{shown:?}");
        assert_eq!(picture.at(1, 0), dim);
        assert_eq!(clipped.pixels(), 1);
        // The clipped pixel spoils two more on either side.
        assert!([0, 1, 2].iter().all(|x| clipped.contains(*x, 0)) && clipped.contains(2, 2));
        assert!(!clipped.contains(3, 0) && !clipped.contains(0, 3));
    }

    #[test]
    fn saturation_lies_at_one_over_the_flat() {
        let vignetted = Plane::filled(1, 1, 0.5);
        let mut unclipped = Rgb::filled(1, 1, [0.9, 1.2, 0.8]);
        let before = unclipped.clone();
        assert!(whiten_clipped(&mut unclipped, BALANCE, Some(&vignetted)).is_empty());
        assert_eq!(unclipped, before);
    }
}
