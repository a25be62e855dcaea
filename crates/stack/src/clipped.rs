//! Saturated highlights without false colour.

use nightloom_raster::{Plane, Rgb};
use rayon::prelude::*;

/// Share of saturation above which a channel begins to be distrusted …
const DOUBTFUL: f32 = 0.80;
/// … and above which nothing is known of the colour.
const CLIPPED: f32 = 0.97;

/// Turns clipped pixels of a camera picture white.
///
/// Where one channel has reached the sensor's saturation, white balance would tint what is really
/// brighter than the sensor can tell (magenta, mostly). There the balanced channels are drawn to
/// their common mean. `flat` is the master flat the picture was divided by: saturation lies at
/// 1/flat after that. Pixels below 0.80 of saturation are not touched.
pub fn whiten_clipped(picture: &mut Rgb, white_balance: [f32; 3], flat: Option<&Plane>) {
    let width = picture.width().max(1);
    let [red, green, blue] = picture
        .planes_mut()
        .each_mut()
        .map(|p| p.data_mut().par_chunks_mut(width));
    red.zip(green)
        .zip(blue)
        .enumerate()
        .for_each(|(y, ((red, green), blue))| {
            let flat = flat.map(|f| f.row(y));
            for (x, ((r, g), b)) in red.iter_mut().zip(green).zip(blue).enumerate() {
                let share = r.max(*g).max(*b) * flat.map_or(1.0, |f| f[x]);
                if share > DOUBTFUL {
                    let t = ((share - DOUBTFUL) / (CLIPPED - DOUBTFUL)).min(1.0);
                    [*r, *g, *b] = drawn_to_white([*r, *g, *b], white_balance, t * t * (3.0 - 2.0 * t));
                }
            }
        });
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
        let mut picture = Rgb::filled(2, 1, [1.0; 3]);
        let dim = [0.2, 0.5, 0.3];
        for (plane, v) in picture.planes_mut().iter_mut().zip(dim) {
            *plane.at_mut(1, 0) = v;
        }
        whiten_clipped(&mut picture, BALANCE, None);
        let shown: Vec<f32> = picture.at(0, 0).iter().zip(BALANCE).map(|(v, b)| v * b).collect();
        assert!(shown.iter().all(|v| (v - shown[0]).abs() < 1e-6), "{shown:?}");
        assert_eq!(picture.at(1, 0), dim);
    }

    #[test]
    fn saturation_lies_at_one_over_the_flat() {
        let vignetted = Plane::filled(1, 1, 0.5);
        let mut unclipped = Rgb::filled(1, 1, [0.9, 1.2, 0.8]);
        let before = unclipped.clone();
        whiten_clipped(&mut unclipped, BALANCE, Some(&vignetted));
        assert_eq!(unclipped, before);
    }
}
