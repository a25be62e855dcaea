//! The noise of one raw frame, from that frame alone.

use nightloom_raster::{Cfa, Mosaic};

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
    let patch = |k: usize| {
        let (x0, y0) = (k % columns * PATCH, k / columns * PATCH);
        let (mut values, mut steps) = (Vec::with_capacity(64), Vec::with_capacity(112));
        for (x, y) in green_places(frame.cfa, x0, y0) {
            values.push(plane.at(x, y));
            let [right, below] = next(frame.cfa, x, y);
            let right = (right < x0 + PATCH).then(|| plane.at(right, y));
            let below = (below < y0 + PATCH).then(|| plane.at(x, below));
            let own = plane.at(x, y);
            steps.extend([right, below].into_iter().flatten().map(|v| (v - own).abs()));
        }
        let level = median(&mut values)?;
        let sigma = SIGMA_PER_MAD as f32 * median(&mut steps)? / std::f32::consts::SQRT_2;
        (level < BRIGHTEST && sigma > 0.0).then_some([level, sigma * sigma])
    };
    (0..columns * rows).step_by(step).filter_map(patch).collect()
}

/// The green pixels of a patch: of a Bayer cell the first green alone.
fn green_places(cfa: Cfa, x0: usize, y0: usize) -> impl Iterator<Item = (usize, usize)> {
    let first = cfa.cell().iter().position(|c| *c == 1).unwrap_or(0);
    let step = if cfa.side() == 2 { 2 } else { 1 };
    let (gx, gy) = if step == 2 { (first % 2, first / 2) } else { (0, 0) };
    let columns = move |y| (x0 + gx..x0 + PATCH).step_by(step).map(move |x| (x, y));
    let all = (y0 + gy..y0 + PATCH).step_by(step).flat_map(columns);
    all.filter(move |&(x, y)| step == 2 || cfa.colour(x, y) == 1)
}

/// Column of the next pixel of this colour to the right, and row of the next below: two away, so that neighbours do not share
/// light; in a cell of six whatever comes next from there.
fn next(cfa: Cfa, x: usize, y: usize) -> [usize; 2] {
    let own = cfa.colour(x, y);
    let first = |colour: &dyn Fn(usize) -> usize| (2..=6).find(|k| colour(*k) == own).unwrap_or(2);
    [
        x + first(&|k| cfa.colour(x + k, y)),
        y + first(&|k| cfa.colour(x, y + k)),
    ]
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
