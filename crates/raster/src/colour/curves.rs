//! The sRGB transfer curve (IEC 61966-2-1:1999, 5.2), which pictures for display use.

use crate::Rgb;

/// Linear to encoded. Below zero the straight part goes on; above 1 the curve does.
#[inline]
pub fn srgb_encode(linear: f32) -> f32 {
    if linear <= 0.003_130_8 {
        12.92 * linear
    } else {
        1.055 * linear.powf(1.0 / 2.4) - 0.055
    }
}

/// Encoded to linear, the inverse of [`srgb_encode`].
#[inline]
pub fn srgb_decode(encoded: f32) -> f32 {
    if encoded <= 0.040_45 {
        encoded / 12.92
    } else {
        ((encoded + 0.055) / 1.055).powf(2.4)
    }
}

/// A linear picture encoded for display, in place.
pub fn encode_srgb(picture: &mut Rgb) {
    super::each_pixel(picture, |p| p.map(srgb_encode));
}
