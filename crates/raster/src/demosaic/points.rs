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
    let shares: [f32; 256] = std::array::from_fn(|far| share_of_points(far as u8));
    let [r, g, b] = picture.planes_mut();
    for (colour, plane) in [r, g, b].into_iter().enumerate() {
        let tents = Tents::of(mosaic, colour);
        plane
            .data_mut()
            .par_chunks_mut(width)
            .enumerate()
            .for_each(|(y, row)| {
                let near = &near[y * width..][..width];
                for (x, (v, &far)) in row.iter_mut().zip(near).enumerate() {
                    let share = shares[usize::from(far)];
                    if share > 0.0 {
                        *v += share * (tents.at(x, y) - *v);
                    }
                }
            });
    }
    picture
}

/// [`tent`] with the samples of each place in a cell of 2 × 2 found beforehand.
struct Tents<'a> {
    mosaic: &'a Mosaic,
    colour: usize,
    /// By place in the cell: how far on each sample lies and its weight, and how many there are.
    samples: [([(isize, f32); 5], usize); 4],
}

impl<'a> Tents<'a> {
    fn of(mosaic: &'a Mosaic, colour: usize) -> Self {
        let width = mosaic.plane.width() as isize;
        let samples = std::array::from_fn(|k| {
            let (mut found, mut n) = ([(0, 0.0); 5], 0);
            for (dx, dy) in (-1..=1isize).flat_map(|dy| (-1..=1isize).map(move |dx| (dx, dy))) {
                // Two pixels further on the cell is the same.
                let (x, y) = (
                    (k & 1).wrapping_add_signed(2 + dx),
                    (k >> 1).wrapping_add_signed(2 + dy),
                );
                if mosaic.cfa.colour(x, y) == colour {
                    found[n] = (dy * width + dx, ((2 - dx.abs()) * (2 - dy.abs())) as f32);
                    n += 1;
                }
            }
            (found, n)
        });
        Self {
            mosaic,
            colour,
            samples,
        }
    }

    fn at(&self, x: usize, y: usize) -> f32 {
        let plane = &self.mosaic.plane;
        let (width, height) = (plane.width(), plane.height());
        if x == 0 || y == 0 || x + 1 >= width || y + 1 >= height {
            return tent(self.mosaic, self.colour, x, y);
        }
        let (samples, n) = &self.samples[(y & 1) * 2 + (x & 1)];
        let (here, mut sum, mut weights) = (y * width + x, 0.0, 0.0);
        for (by, weight) in &samples[..*n] {
            sum += weight * plane.data()[here.wrapping_add_signed(*by)];
            weights += weight;
        }
        sum / weights
    }
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
                    let limits: [f32; BLOCK] = std::array::from_fn(|k| limits[mosaic.cfa.colour(x0 + k, y)]);
                    let values = mosaic.plane.row(y)[x0..].iter().zip(&limits);
                    for (far, (value, limit)) in row[x0..].iter_mut().zip(values) {
                        *far = if value > limit { 0 } else { *far };
                    }
                }
            }
        });
    distances(&mut far, width);
    far
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Cfa, Plane};

    #[test]
    fn samples_found_beforehand_give_the_same_tents() {
        for cfa in [Cfa::RGGB, Cfa::BGGR, Cfa::GRBG, Cfa::GBRG] {
            let value = |x: usize, y: usize| ((x * 7919 + y * 104_729) % 1013) as f32 / 1013.0;
            let mosaic = Mosaic {
                plane: Plane::from_fn(13, 11, value),
                cfa,
            };
            for colour in 0..3 {
                let tents = Tents::of(&mosaic, colour);
                for (x, y) in (0..11).flat_map(|y| (0..13).map(move |x| (x, y))) {
                    assert_eq!(
                        tents.at(x, y),
                        tent(&mosaic, colour, x, y),
                        "{cfa:?} {colour} {x} {y}"
                    );
                }
            }
        }
    }
}
