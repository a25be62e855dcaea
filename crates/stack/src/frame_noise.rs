//! The noise of one raw frame, from that frame alone.

use nightloom_raster::{Mosaic, Plane};

use crate::pixel_noise::PixelNoise;
use nightloom_fit::{SIGMA_PER_MAD, median};

/// Side of a patch, pixels; patches stand this many pixels apart at least, so that there are some thousands.
const PATCH: usize = 16;
const PATCHES: usize = 6000;
/// Patches in one class of light.
const CLASS: usize = 60;
/// The class's noise is this quantile of its patches': structure only ever adds to it.
const QUIET: f64 = 0.25;
/// Part of the usual variance that read noise has at least.
const LEAST_READ: f64 = 0.05;
/// Patches brighter than this may hold clipped pixels, parts of saturation.
const BRIGHTEST: f32 = 0.7;

/// Variance of a pixel by the light on it, in parts of saturation: a line through the quietest patches of each
/// light (photon transfer in one frame; Janesick 2007, with spatial instead of temporal noise).
///
/// In a patch the noise is that of differences of pixels two apart, of one filter, by their median, which
/// stars, twigs and gradients hardly touch. Absolute scale is good to some ten per cent; frames of one scene
/// compare to some per cent. `None` where the frame is too small.
pub fn frame_noise(frame: &Mosaic) -> Option<PixelNoise> {
    let mut patches = patches(frame);
    patches.sort_unstable_by(|a, b| a[0].total_cmp(&b[0]));
    let classes: Vec<[f64; 2]> = patches
        .chunks(CLASS)
        .filter(|c| c.len() >= CLASS / 2)
        .map(class)
        .collect();
    line(&classes)
}

/// Level and variance of patches of green pixels.
fn patches(frame: &Mosaic) -> Vec<[f32; 2]> {
    let plane = &frame.plane;
    let (columns, rows) = (plane.width() / PATCH, plane.height() / PATCH);
    let step = (columns * rows).div_ceil(PATCHES).max(1);
    let green = (0..4).find(|k| frame.cfa.0[*k] == 1).unwrap_or(0);
    let (gx, gy) = (green % 2, green / 2);
    let patch = |k: usize| {
        let (x0, y0) = (k % columns * PATCH + gx, k / columns * PATCH + gy);
        let (mut values, mut steps) = (Vec::with_capacity(64), Vec::with_capacity(112));
        for y in (y0..y0 + PATCH - 1).step_by(2) {
            for x in (x0..x0 + PATCH - 1).step_by(2) {
                values.push(plane.at(x, y));
                steps.extend(beside(
                    plane,
                    x,
                    y,
                    x + 2 < x0 + PATCH - 1,
                    y + 2 < y0 + PATCH - 1,
                ));
            }
        }
        let level = median(&mut values)?;
        let sigma = SIGMA_PER_MAD as f32 * median(&mut steps)? / std::f32::consts::SQRT_2;
        (level < BRIGHTEST && sigma > 0.0).then_some([level, sigma * sigma])
    };
    (0..columns * rows).step_by(step).filter_map(patch).collect()
}

fn beside(plane: &Plane, x: usize, y: usize, right: bool, below: bool) -> impl Iterator<Item = f32> {
    let own = plane.at(x, y);
    let right = right.then(|| (plane.at(x + 2, y) - own).abs());
    let below = below.then(|| (plane.at(x, y + 2) - own).abs());
    right.into_iter().chain(below)
}

fn class(patches: &[[f32; 2]]) -> [f64; 2] {
    let mut variances: Vec<f32> = patches.iter().map(|p| p[1]).collect();
    variances.sort_unstable_by(f32::total_cmp);
    let level = patches.iter().map(|p| f64::from(p[0])).sum::<f64>() / patches.len() as f64;
    [
        level,
        f64::from(variances[(QUIET * variances.len() as f64) as usize]),
    ]
}

/// The line through the classes, each weighted by 1 over its variance squared (the error of a variance is in
/// proportion to it); neither part below nought.
fn line(classes: &[[f64; 2]]) -> Option<PixelNoise> {
    let [mut w, mut x, mut y, mut xx, mut xy] = [0.0f64; 5];
    for [level, variance] in classes {
        let weight = 1.0 / (variance * variance);
        w += weight;
        x += weight * level;
        y += weight * variance;
        xx += weight * level * level;
        xy += weight * level * variance;
    }
    if w <= 0.0 || !w.is_finite() {
        return None;
    }
    let spread = w * xx - x * x;
    let slope = if spread > 1e-12 * w * xx {
        (w * xy - x * y) / spread
    } else {
        0.0
    };
    // A line that falls, or meets the axis below nought, is the scatter's: there is some read noise always.
    let shot = slope.max(0.0);
    let read = ((y - shot * x) / w).max(LEAST_READ * y / w);
    Some(PixelNoise {
        read: read as f32,
        shot: shot as f32,
    })
}
