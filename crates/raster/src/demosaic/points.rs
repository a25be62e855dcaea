//! Stars out of a mosaic without rims.
//!
//! Whatever interpolates colour differences has negative weights: round a bright point it leaves a dark ring, and a coloured
//! one, since the three channels do not spread it alike. Near points that stand far above noise each channel is therefore
//! its own samples spread by one tent two pixels wide. Its weights are positive and the same for all channels, and each
//! sample counts once: no ring, no rim, and the light of each channel is kept.

use rayon::prelude::*;

use super::surroundings::{BLOCK, NONE_PX, Surroundings, share_of_points};
use super::{Directions, demosaic_with, hue, usable};
use crate::{DISTANCE_UNIT, Mosaic, Rgb, distances};

/// A sample so many sigmas above its surroundings belongs to a point whose rings would be seen: the deepest ring is a
/// twentieth of the peak, and so under half a sigma for what is fainter.
const STANDS_OUT: f32 = 8.0;

/// Camera RGB for every pixel of a tracked frame of the sky: [`demosaic_with`] in equal shares where it is dark, and
/// without rings and rims round stars.
///
/// `sigma(level)` is the noise of a pixel at a level, both in the mosaic's unit. In cells of 6 × 6 each star has one hue instead
/// (`six_by_six_stars_keep_light_place_and_colour`): stars of FWHM 2.5 px and more keep the light of each channel within 1 %,
/// their centres within 0.02 px, and their colour at every pixel within 3 % of the peak in half of them, 6 % in nineteen of twenty.
pub fn demosaic_sky(mosaic: &Mosaic, white_balance: [f32; 3], sigma: &(dyn Fn(f32) -> f32 + Sync)) -> Rgb {
    let mut picture = demosaic_with(mosaic, white_balance, Directions::Equal);
    let (width, height) = (mosaic.plane.width(), mosaic.plane.height());
    let cell = mosaic.cfa.side();
    if width < BLOCK || height < BLOCK || cell == 1 || (cell == 2 && !mosaic.cfa.is_bayer()) {
        return picture;
    }
    let sky = Surroundings::of(mosaic, sigma);
    let near = near_points(mosaic, &sky);
    if cell == 6 {
        hue::put_points(&mut picture, mosaic, usable(white_balance), &near, &sky);
        return picture;
    }
    let [r, g, b] = picture.planes_mut();
    for (colour, plane) in [r, g, b].into_iter().enumerate() {
        plane
            .data_mut()
            .par_chunks_mut(width)
            .enumerate()
            .for_each(|(y, row)| {
                let near = &near[y * width..][..width];
                for (x, (v, &far)) in row.iter_mut().zip(near).enumerate() {
                    let share = share_of_points(far);
                    if share > 0.0 {
                        *v += share * (tent(mosaic, colour, x, y) - *v);
                    }
                }
            });
    }
    picture
}

/// Samples of one colour in the 3 × 3 pixels round a place, weighted 1 2 1 each way.
fn tent(mosaic: &Mosaic, colour: usize, x: usize, y: usize) -> f32 {
    let (width, height) = (mosaic.plane.width() as i64, mosaic.plane.height() as i64);
    // Mirrored about the outermost pixel, which keeps the phase.
    let inside = |v: i64, n: i64| if v < 0 { -v } else if v >= n { 2 * n - 2 - v } else { v } as usize;
    let (mut sum, mut weights) = (0.0, 0.0);
    for dy in -1..=1i64 {
        let row = inside(y as i64 + dy, height);
        for dx in -1..=1i64 {
            let column = inside(x as i64 + dx, width);
            if mosaic.cfa.colour(column, row) == colour {
                let weight = ((2 - dx.abs()) * (2 - dy.abs())) as f32;
                sum += weight * mosaic.plane.at(column, row);
                weights += weight;
            }
        }
    }
    sum / weights
}

/// Distance of each pixel from the nearest sample that stands out, in [`DISTANCE_UNIT`], up to where it no longer matters.
fn near_points(mosaic: &Mosaic, sky: &Surroundings) -> Vec<u8> {
    let (width, height) = (mosaic.plane.width(), mosaic.plane.height());
    let most = (NONE_PX * f32::from(DISTANCE_UNIT)).ceil() as u8;
    let mut far = vec![most; width * height];
    far.par_chunks_mut(BLOCK * width)
        .enumerate()
        .for_each(|(j, rows)| {
            for x0 in (0..width).step_by(BLOCK) {
                let of = &sky.blocks[j * sky.across + x0 / BLOCK];
                let limits: [f32; 3] = std::array::from_fn(|c| of.level[c] + STANDS_OUT * of.sigma[c]);
                for (y, row) in (j * BLOCK..).zip(rows.chunks_mut(width)) {
                    for (x, far) in row.iter_mut().enumerate().skip(x0).take(BLOCK) {
                        if mosaic.plane.at(x, y) > limits[mosaic.cfa.colour(x, y)] {
                            *far = 0;
                        }
                    }
                }
            }
        });
    distances(&mut far, width);
    far
}
