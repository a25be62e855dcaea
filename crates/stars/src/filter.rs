//! The matched filter: image minus background, convolved with a Gaussian of the star's width.

use nightloom_raster::Plane;
use rayon::prelude::*;

use crate::Background;

/// Rows filtered together, so that only a strip's worth of scratch is held.
const STRIP: usize = 64;

/// Convolves `image` minus `background` with a normalised Gaussian of `sigma` pixels.
///
/// Beyond the frame's edge the residual counts as zero. Values that are not finite count as sky.
pub(crate) fn matched(image: &Plane, background: &Background, sigma: f64) -> Plane {
    let kernel = gaussian(sigma);
    let half = kernel.len() / 2;
    let (width, height) = (image.width(), image.height());
    let mut out = Plane::filled(width, height, 0.0);
    out.data_mut()
        .par_chunks_mut((STRIP * width).max(1))
        .enumerate()
        .for_each(|(strip, rows)| {
            let y0 = strip * STRIP;
            let count = rows.len() / width;
            let (from, to) = (y0.saturating_sub(half), (y0 + count + half).min(height));
            let mut across = vec![0.0f32; (to - from) * width];
            let mut padded = vec![0.0f32; width + 2 * half];
            let mut sky = vec![0.0f32; width];
            for y in from..to {
                background.level_row(y, &mut sky);
                for ((p, v), s) in padded[half..half + width].iter_mut().zip(image.row(y)).zip(&sky) {
                    let d = v - s;
                    *p = if d.is_finite() { d } else { 0.0 };
                }
                let line = &mut across[(y - from) * width..(y - from + 1) * width];
                for (k, weight) in kernel.iter().enumerate() {
                    for (o, p) in line.iter_mut().zip(&padded[k..k + width]) {
                        *o += weight * p;
                    }
                }
            }
            for (i, out) in rows.chunks_mut(width).enumerate() {
                for (k, weight) in kernel.iter().enumerate() {
                    let y = (y0 + i + k).wrapping_sub(half);
                    if y >= from && y < to {
                        for (o, a) in out.iter_mut().zip(&across[(y - from) * width..]) {
                            *o += weight * a;
                        }
                    }
                }
            }
        });
    out
}

fn gaussian(sigma: f64) -> Vec<f32> {
    let half = (3.0 * sigma).ceil().max(1.0) as isize;
    let values: Vec<f64> = (-half..=half)
        .map(|i| (-0.5 * (i as f64 / sigma).powi(2)).exp())
        .collect();
    let sum: f64 = values.iter().sum();
    values.iter().map(|v| (v / sum) as f32).collect()
}
