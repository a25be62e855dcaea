//! Colour spaces: primaries, matrices, transfer curves, the colour of stars.
//!
//! The working space is linear with the primaries of Recommendation ITU-R BT.2020 and white D65.

mod black_body;
mod cie1931;
mod curves;
mod matrix;

use rayon::prelude::*;

use crate::{CameraColour, Rgb};

pub use black_body::{black_body_rgb, temperature_of_b_v};
pub use curves::{encode_srgb, srgb_decode, srgb_encode};
pub use matrix::{
    D50_XYZ, D65_XY, Matrix, REC2020_XY, SRGB_XY, apply, bradford, inverse, product, rec2020_to_srgb,
    rec2020_to_xyz, rgb_to_xyz, srgb_to_xyz, xy_to_xyz, xyz_to_rec2020, xyz_to_srgb,
};

/// Share of red, green and blue in luminance, Rec. 2020 (ITU-R BT.2020-2, table 4).
pub const LUMINANCE: [f32; 3] = [0.2627, 0.6780, 0.0593];

/// Pixels worked on together.
const CHUNK: usize = 1 << 14;

/// Luminance of a colour of the working space.
#[inline]
pub fn luminance([r, g, b]: [f32; 3]) -> f32 {
    LUMINANCE[0] * r + LUMINANCE[1] * g + LUMINANCE[2] * b
}

/// Camera RGB made into the working space, in place: white balance, then the camera's matrix.
/// Nothing is clamped.
pub fn to_working(picture: &mut Rgb, colour: &CameraColour) {
    let balance = colour.white_balance;
    let matrix = colour
        .to_working
        .map(|row| [row[0] * balance[0], row[1] * balance[1], row[2] * balance[2]]);
    apply_matrix(picture, &matrix);
}

/// Every pixel multiplied by a row-major matrix, in place.
pub fn apply_matrix(picture: &mut Rgb, matrix: &[[f32; 3]; 3]) {
    each_pixel(picture, |[r, g, b]| {
        matrix.map(|m| m[0] * r + m[1] * g + m[2] * b)
    });
}

/// Every pixel put through `change`, in place, in parallel.
pub fn each_pixel(picture: &mut Rgb, change: impl Fn([f32; 3]) -> [f32; 3] + Sync) {
    let [r, g, b] = picture
        .planes_mut()
        .each_mut()
        .map(|p| p.data_mut().par_chunks_mut(CHUNK));
    r.zip(g).zip(b).for_each(|((r, g), b)| {
        for ((r, g), b) in r.iter_mut().zip(g).zip(b) {
            [*r, *g, *b] = change([*r, *g, *b]);
        }
    });
}
