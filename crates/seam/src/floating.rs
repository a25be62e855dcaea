//! Nothing floats: land hangs together, and so does sky but for gaps beside gaps.
//!
//! Twigs thinner than a pixel come apart in a matte, but not by much. What is a little less than sky far from all land is the
//! rest of a star's trail or noise; a few pixels of sky far inside land are a glint.

use nightloom_raster::{DISTANCE_UNIT, Plane, distances};

use crate::parts::connected;

/// Matte below which a pixel may be land, and how many of such pixels together are land that others can hang on.
const LAND: f32 = 0.95;
const LEAST_PIXELS: usize = 150;
/// Matte above which a pixel may be sky, and how many of such pixels together are a gap that others can lie beside.
const SKY: f32 = 0.05;
const LEAST_GAP: usize = 24;
/// Parts come apart by so much at most, pixels and parts of the picture's width: a few needles or twigs.
const APART_PX: f32 = 6.0;
const APART_PART: f32 = 400.0;

/// Makes sky of what lies far from all land, and land of what lies far from all sky.
pub(crate) fn clear(alpha: &mut Plane) {
    become_of_far(alpha, &|a| a < LAND, LEAST_PIXELS, 1.0);
    become_of_far(alpha, &|a| a > SKY, LEAST_GAP, 0.0);
}

/// Sets what lies far from all parts of at least so many pixels of a kind.
fn become_of_far(alpha: &mut Plane, kind: &dyn Fn(f32) -> bool, least: usize, value: f32) {
    let width = alpha.width();
    let of_kind = alpha.data().iter().map(|a| kind(*a)).collect();
    let mut far = vec![u8::MAX; alpha.data().len()];
    let parts = connected(of_kind, width, least);
    parts.iter().flatten().for_each(|&k| far[k] = 0);
    if parts.is_empty() {
        return;
    }
    distances(&mut far, width);
    let apart = (APART_PX + width as f32 / APART_PART) * f32::from(DISTANCE_UNIT);
    let afloat = alpha.data_mut().iter_mut().zip(far);
    afloat
        .filter(|(_, d)| f32::from(*d) > apart)
        .for_each(|(a, _)| *a = value);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_in_the_open_sky_and_a_glint_in_land_go_and_needles_and_windows_stay() {
        let land = |x: usize, y: usize| match (x, y) {
            // A glint, and a window.
            (20..23, 75..78) | (60..66, 72..78) => 0.9,
            (_, 60..) => 0.0,
            // A needle that has come off its twig, and a line far up.
            (20..30, 55) => 0.4,
            (20..80, 10) => 0.7,
            _ => 1.0,
        };
        let mut alpha = Plane::from_fn(100, 80, land);
        clear(&mut alpha);
        let wanted = Plane::from_fn(100, 80, |x, y| match (x, y) {
            (_, ..50) => 1.0,
            (20..23, 75..78) => 0.0,
            _ => land(x, y),
        });
        assert_eq!(alpha, wanted);
    }
}
