//! How sharp a picture is against the truth, and what glows round its depth steps.

use nightloom_raster::{Plane, Rgb};
use nightloom_stack::focus_luminance;

pub(crate) const BLOCK: usize = 32;

/// Of each block of the first plane: how much of the truth's detail it shows, 1 for all, by regression on
/// the truth's gradients (`laplacian` false) or second differences: noise has no part in it. With the
/// standard error that noise of `sigma` leaves.
pub(crate) fn shares(picture: &Plane, truth: &Plane, laplacian: bool, sigma: f64) -> Vec<(f64, f64)> {
    let across = picture.width() / BLOCK;
    let down = picture.height() / BLOCK;
    let detail = |p: &Plane, x: usize, y: usize| -> [f64; 2] {
        let v = |dx: isize, dy: isize| {
            f64::from(p.at((x as isize + dx) as usize, (y as isize + dy) as usize))
        };
        if laplacian {
            [
                2.0 * v(0, 0) - v(-1, 0) - v(1, 0),
                2.0 * v(0, 0) - v(0, -1) - v(0, 1),
            ]
        } else {
            [0.5 * (v(1, 0) - v(-1, 0)), 0.5 * (v(0, 1) - v(0, -1))]
        }
    };
    let own: f64 = if laplacian { 6.0 } else { 0.5 };
    (0..across * down)
        .map(|k| {
            let (x0, y0) = (k % across * BLOCK, k / across * BLOCK);
            let (mut ft, mut tt) = (0.0, 0.0);
            for y in y0.max(1)..(y0 + BLOCK).min(picture.height() - 1) {
                for x in x0.max(1)..(x0 + BLOCK).min(picture.width() - 1) {
                    let (f, t) = (detail(picture, x, y), detail(truth, x, y));
                    ft += f[0] * t[0] + f[1] * t[1];
                    tt += t[0] * t[0] + t[1] * t[1];
                }
            }
            (ft / tt, sigma * own.sqrt() / tt.sqrt())
        })
        .collect()
}

/// The worst block: the fused picture's share of detail less the best frame's, with where and what, among
/// blocks that noise leaves known to `known`.
pub(crate) fn worst_share(
    fused: &Rgb,
    frames: &[Rgb],
    truth: &Rgb,
    sigma: f64,
    known: f64,
    skip: &dyn Fn(usize) -> bool,
) -> (f64, usize, f64, usize) {
    let truth = focus_luminance(truth);
    let fused = focus_luminance(fused);
    let frames: Vec<Plane> = frames.iter().map(focus_luminance).collect();
    let mut worst = (f64::INFINITY, 0, 0.0, 0);
    let mut judged = 0;
    for laplacian in [false, true] {
        let own = shares(&fused, &truth, laplacian, sigma);
        let each: Vec<Vec<(f64, f64)>> = frames
            .iter()
            .map(|f| shares(f, &truth, laplacian, sigma))
            .collect();
        for (k, (share, error)) in own.iter().enumerate() {
            if *error > known || skip(k) {
                continue;
            }
            judged += 1;
            let best = each.iter().map(|e| e[k].0).fold(0.0, f64::max);
            let ratio = share / best;
            if ratio < worst.0 {
                worst = (ratio, k, best, 0);
            }
        }
    }
    worst.3 = judged;
    worst
}

/// The largest glow: mean of picture less truth over windows of 11 × 11 pixels, of which only pixels
/// more than 5 px from a depth step count, as a share of the truth there; in each channel.
pub(crate) fn worst_halo(
    picture: &Rgb,
    truth: &Rgb,
    distance: &Plane,
    skip: &dyn Fn(usize, usize) -> bool,
) -> (f64, usize, usize) {
    const HALF: usize = 5;
    const NEAR: f32 = 5.0;
    const LEAST: usize = 45;
    let mut worst = (0.0, 0, 0);
    for c in 0..3 {
        let (p, t) = (&picture.planes()[c], &truth.planes()[c]);
        for y in (HALF..p.height() - HALF).step_by(2) {
            for x in (HALF..p.width() - HALF).step_by(2) {
                let (mut n, mut off, mut level) = (0, 0.0, 0.0);
                for v in y - HALF..=y + HALF {
                    for u in x - HALF..=x + HALF {
                        if distance.at(u, v) > NEAR && !skip(u, v) {
                            n += 1;
                            off += f64::from(p.at(u, v) - t.at(u, v));
                            level += f64::from(t.at(u, v));
                        }
                    }
                }
                let share = (off / level).abs();
                if n >= LEAST && share > worst.0 {
                    worst = (share, x, y);
                }
            }
        }
    }
    worst
}
