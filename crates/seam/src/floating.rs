//! Nothing floats: land hangs together.
//!
//! Twigs thinner than a pixel come apart in a matte, but not by much. What is a little less than sky far from all land is the
//! rest of a star's trail or noise.

use nightloom_raster::{DISTANCE_UNIT, Plane, distances};

use crate::parts::connected;

/// Matte below which a pixel may be land, and how many of such pixels together are land that others can hang on.
const LAND: f32 = 0.95;
const LEAST_PIXELS: usize = 150;
/// Parts of land come apart by so much at most, pixels and parts of the picture's width: a few needles or twigs.
const APART_PX: f32 = 6.0;
const APART_PART: f32 = 400.0;

/// Makes sky of what lies far from all land.
pub(crate) fn clear(alpha: &mut Plane) {
    let width = alpha.width();
    let land = alpha.data().iter().map(|a| *a < LAND).collect();
    let mut far = vec![u8::MAX; alpha.data().len()];
    let parts = connected(land, width, LEAST_PIXELS);
    parts.iter().flatten().for_each(|&k| far[k] = 0);
    if parts.is_empty() {
        return;
    }
    distances(&mut far, width);
    let apart = (APART_PX + width as f32 / APART_PART) * f32::from(DISTANCE_UNIT);
    let afloat = alpha.data_mut().iter_mut().zip(far);
    afloat
        .filter(|(_, d)| f32::from(*d) > apart)
        .for_each(|(a, _)| *a = 1.0);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_in_the_open_sky_goes_and_needles_stay() {
        let land = |x: usize, y: usize| match (x, y) {
            (_, 60..) => 0.0,
            // A needle that has come off its twig, and a line far up.
            (20..30, 55) => 0.4,
            (20..80, 10) => 0.7,
            _ => 1.0,
        };
        let mut alpha = Plane::from_fn(100, 80, land);
        clear(&mut alpha);
        let wanted = Plane::from_fn(100, 80, |x, y| if y < 50 { 1.0 } else { land(x, y) });
        assert_eq!(alpha, wanted);
    }
}
