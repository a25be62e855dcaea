//! Stars out of a mosaic without rims.
//!
//! Whatever interpolates colour differences has negative weights: round a bright point it leaves a dark ring, and a coloured
//! one, since the three channels do not spread it alike. Near points that stand far above noise each channel is therefore
//! its own samples spread by one tent two pixels wide. Its weights are positive and the same for all channels, and each
//! sample counts once: no ring, no rim, and the light of each channel is kept.

use rayon::prelude::*;

use super::{Directions, demosaic_with, is_bayer};
use crate::{DISTANCE_UNIT, Mosaic, Rgb, distances};

/// A sample so many sigmas above its surroundings belongs to a point whose rings would be seen: the deepest ring is a
/// twentieth of the peak, and so under half a sigma for what is fainter.
const STANDS_OUT: f32 = 8.0;
/// The tent alone up to this distance from such a sample, pixels: rings reach as far …
const WHOLE_PX: f32 = 5.0;
/// … and nothing of it from here on.
const NONE_PX: f32 = 8.0;
/// Side of a block whose median is the surroundings, pixels.
const BLOCK: usize = 32;

/// Camera RGB for every pixel of a tracked frame of the sky: [`demosaic_with`] in equal shares where it is dark, and
/// without rings and rims round stars.
///
/// `sigma(level)` is the noise of a pixel at a level, both in the mosaic's unit.
pub fn demosaic_sky(mosaic: &Mosaic, white_balance: [f32; 3], sigma: &(dyn Fn(f32) -> f32 + Sync)) -> Rgb {
    let mut picture = demosaic_with(mosaic, white_balance, Directions::Equal);
    let (width, height) = (mosaic.plane.width(), mosaic.plane.height());
    if width < BLOCK || height < BLOCK || !is_bayer(mosaic.cfa) {
        return picture;
    }
    let near = near_points(mosaic, sigma);
    let [r, g, b] = picture.planes_mut();
    for (colour, plane) in [r, g, b].into_iter().enumerate() {
        plane
            .data_mut()
            .par_chunks_mut(width)
            .enumerate()
            .for_each(|(y, row)| {
                let near = &near[y * width..][..width];
                for (x, (v, &far)) in row.iter_mut().zip(near).enumerate() {
                    let share = share_of_tent(far);
                    if share > 0.0 {
                        *v += share * (tent(mosaic, colour, x, y) - *v);
                    }
                }
            });
    }
    picture
}

fn share_of_tent(far: u8) -> f32 {
    let t = (NONE_PX - f32::from(far) / f32::from(DISTANCE_UNIT)) / (NONE_PX - WHOLE_PX);
    let t = t.clamp(0.0, 1.0);
    t * t * (3.0 - 2.0 * t)
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
fn near_points(mosaic: &Mosaic, sigma: &(dyn Fn(f32) -> f32 + Sync)) -> Vec<u8> {
    let (width, height) = (mosaic.plane.width(), mosaic.plane.height());
    let most = (NONE_PX * f32::from(DISTANCE_UNIT)).ceil() as u8;
    let mut far = vec![most; width * height];
    far.par_chunks_mut(BLOCK * width)
        .enumerate()
        .for_each(|(j, rows)| {
            for x0 in (0..width).step_by(BLOCK) {
                let levels = limits(mosaic, [x0, j * BLOCK], sigma);
                for (y, row) in (j * BLOCK..).zip(rows.chunks_mut(width)) {
                    for (x, far) in row.iter_mut().enumerate().skip(x0).take(BLOCK) {
                        if mosaic.plane.at(x, y) > levels[mosaic.cfa.colour(x, y)] {
                            *far = 0;
                        }
                    }
                }
            }
        });
    distances(&mut far, width);
    far
}

/// Above which a sample of each colour stands out of a block.
fn limits(mosaic: &Mosaic, [x0, y0]: [usize; 2], sigma: &(dyn Fn(f32) -> f32 + Sync)) -> [f32; 3] {
    let (width, height) = (mosaic.plane.width(), mosaic.plane.height());
    let mut samples: [Vec<f32>; 3] = Default::default();
    for y in y0..(y0 + BLOCK).min(height) {
        let row = mosaic.plane.row(y);
        for (x, v) in row.iter().enumerate().take((x0 + BLOCK).min(width)).skip(x0) {
            samples[mosaic.cfa.colour(x, y)].push(*v);
        }
    }
    samples.map(|mut values| {
        let level = nightloom_fit::median(&mut values).unwrap_or(f32::INFINITY);
        level + STANDS_OUT * sigma(level)
    })
}
