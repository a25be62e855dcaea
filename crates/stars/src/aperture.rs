//! The light of a star within a rim.

use nightloom_raster::Plane;

use crate::fit::Model;
use crate::shape::{LocalSky, each_pixel};

/// Light above the sky within `radius` of the segment of `length` centred on (x, y); pixels on
/// the rim count in part and the neighbours' light is taken out. Also the highest pixel above the
/// sky.
pub(crate) fn aperture(
    image: &Plane,
    sky: &LocalSky,
    (x, y): (f64, f64),
    radius: f64,
    (length, angle): (f64, f64),
    neighbours: &[Model],
) -> (f64, f32) {
    let (s, c) = angle.sin_cos();
    let half = 0.5 * length;
    let (mut flux, mut peak) = (0.0f64, 0.0f32);
    each_pixel(image, x, y, radius + half + 1.0, |dx, dy, value| {
        let along = dx * c + dy * s;
        let beyond = (along.abs() - half).max(0.0);
        let across = dy * c - dx * s;
        let part = (radius + 0.5 - (beyond * beyond + across * across).sqrt()).clamp(0.0, 1.0);
        if part > 0.0 {
            let others: f64 = neighbours.iter().map(|n| n.at(x + dx, y + dy)).sum();
            let above = value - sky.at_pixel(x + dx, y + dy) - others as f32;
            flux += part * f64::from(above);
            peak = peak.max(above);
        }
    });
    (flux, peak)
}
