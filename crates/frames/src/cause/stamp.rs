//! Reading light between pixels.

use nightloom_fit::median_of;
use nightloom_raster::Plane;

/// The value at a place between pixels (bilinear); `None` outside.
pub(super) fn value(image: &Plane, x: f64, y: f64) -> Option<f64> {
    if !(x >= 0.0 && y >= 0.0) {
        return None;
    }
    let (i, j) = (x as usize, y as usize);
    if i + 1 >= image.width() || j + 1 >= image.height() {
        return None;
    }
    let (fx, fy) = (x - i as f64, y - j as f64);
    let (above, below) = (image.row(j), image.row(j + 1));
    let line = |row: &[f32]| f64::from(row[i]) * (1.0 - fx) + f64::from(row[i + 1]) * fx;
    Some(line(above) * (1.0 - fy) + line(below) * fy)
}

/// Median of a ring of radius `inner` to `inner` + 3: the sky beside a star.
pub(super) fn ring(image: &Plane, x: f64, y: f64, inner: f64) -> Option<f64> {
    let mut values = Vec::with_capacity(96);
    for radius in [inner, inner + 1.5, inner + 3.0] {
        for k in 0..32 {
            let (s, c) = (f64::from(k) / 32.0 * std::f64::consts::TAU).sin_cos();
            values.extend(value(image, x + radius * c, y + radius * s));
        }
    }
    (values.len() >= 24).then(|| median_of(values)).flatten()
}

/// Light in steps of half a pixel along a direction, summed over `width` to each side of it, above `sky`.
pub(super) fn strip(
    image: &Plane,
    (x, y): (f64, f64),
    angle: f64,
    reach: f64,
    width: f64,
    sky: f64,
) -> Option<Vec<f64>> {
    let (s, c) = angle.sin_cos();
    let steps = (2.0 * reach).ceil() as i32;
    let rows = (2.0 * width).ceil() as i32;
    (-steps..=steps)
        .map(|i| {
            let t = 0.5 * f64::from(i);
            (-rows..=rows)
                .map(|j| {
                    let across = 0.5 * f64::from(j);
                    value(image, x + t * c - across * s, y + t * s + across * c).map(|v| v - sky)
                })
                .sum::<Option<f64>>()
        })
        .collect()
}
