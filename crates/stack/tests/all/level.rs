//! Frames with backgrounds of their own, each ending somewhere else.

use std::sync::atomic::AtomicBool;

use nightloom_raster::{Plane, Rgb};
use nightloom_stack::{CombineSettings, Input, Mask, Stacked, combine};

use crate::scene::{Random, add_star};

const W: usize = 480;
const H: usize = 240;
/// Noise of one frame, 1 at saturation.
const SIGMA: f64 = 0.004;
const FRAMES: usize = 8;
/// Frame i shows the canvas from column `SHIFT · i` on: its left border is a coverage edge.
const SHIFT: usize = 40;

fn stars() -> Vec<(f64, f64, f64)> {
    let mut random = Random::new(8);
    let place = |k: usize| (30 + k % 10 * 44, 30 + k / 10 * 45);
    (0..50)
        .map(|k| {
            let (x, y) = place(k);
            let flux = 0.2 * 10f64.powf(random.between(0.0, 1.0));
            (
                x as f64 + random.between(-5.0, 5.0),
                y as f64 + random.between(-5.0, 5.0),
                flux,
            )
        })
        .collect()
}

/// What all frames show.
fn scene() -> Plane {
    let mut plane = Plane::from_fn(W, H, |x, y| {
        0.05 + 2e-5 * x as f32 + 1e-8 * (y as f32 - 100.0).powi(2)
    });
    for (x, y, flux) in stars() {
        add_star(&mut plane, x, y, flux, 2.2);
    }
    plane
}

/// A frame whose pixel (0, 0) is the canvas's (`left`, 0), with a gradient `slope` σ over the canvas.
fn frame(scene: &Plane, left: usize, slope: [f64; 2], seed: u64) -> Rgb {
    let mut random = Random::new(seed);
    let mut plane = |c: usize| {
        let tint = 1.0 - 0.3 * c as f64;
        Plane::from_fn(W, H, |x, y| {
            // Beyond the canvas the scene is of no interest.
            let cx = (x + left).min(W - 1);
            let own = slope[0] * (cx as f64 / W as f64 - 0.5) + slope[1] * (y as f64 / H as f64 - 0.5);
            scene.at(cx, y) + (SIGMA * (tint * own + random.normal())) as f32
        })
    };
    Rgb::from_planes([plane(0), plane(1), plane(2)])
}

fn staggered() -> Vec<(usize, Rgb)> {
    let scene = scene();
    (0..FRAMES)
        .map(|i| {
            let slope = [(i as f64 - 3.5) * 10.0, [6.0, -9.0, 2.0, -4.0][i % 4]];
            (SHIFT * i, frame(&scene, SHIFT * i, slope, 300 + i as u64))
        })
        .collect()
}

fn stack(frames: &[(usize, Rgb)], masks: &[Option<Mask>], level_frames: bool) -> Stacked {
    let mut settings = CombineSettings {
        level_frames,
        feather_px: 0.0,
        ..Default::default()
    };
    settings.reject.enabled = false;
    let inputs: Vec<Input> = frames
        .iter()
        .enumerate()
        .map(|(i, (left, rgb))| Input {
            to_source: Some(Box::new(move |[x, y]| Some([x - *left as f64, y]))),
            mask: masks.get(i).and_then(Option::as_ref),
            ..Input::unmoved(rgb)
        })
        .collect();
    combine(&inputs, W, H, &settings, &|_| (), &AtomicBool::new(false)).unwrap()
}

/// The step at column `edge`: lines through 20 columns on either side, extended to it.
fn step(picture: &Plane, edge: usize) -> f64 {
    const COLUMNS: usize = 20;
    let scene = scene();
    let column = |x: usize| -> f64 {
        let misses = (0..H).map(|y| f64::from(picture.at(x, y) - scene.at(x, y)));
        misses.sum::<f64>() / H as f64
    };
    let line = |start: usize| {
        let middle = (COLUMNS as f64 - 1.0) / 2.0;
        let (mut level, mut slope, mut norm) = (0.0, 0.0, 0.0);
        for k in 0..COLUMNS {
            let t = k as f64 - middle;
            level += column(start + k) / COLUMNS as f64;
            slope += t * column(start + k);
            norm += t * t;
        }
        (level, slope / norm, middle)
    };
    let (left, right) = (line(edge - COLUMNS), line(edge));
    (right.0 - right.1 * (right.2 + 0.5)) - (left.0 + left.1 * (left.2 + 0.5))
}

#[test]
fn frames_end_without_a_step_and_the_level_stays() {
    /// Of the noise of the stack at the edge, beyond three standard errors of the measured step itself.
    const STEP_SIGMA: f64 = 0.2;
    /// Of the noise of one frame.
    const LEVEL_SIGMA: f64 = 0.05;
    let frames = staggered();
    let (plain, level) = (stack(&frames, &[], false), stack(&frames, &[], true));
    let mut worst = [0.0f64; 2];
    for i in 1..FRAMES {
        let noise = SIGMA / (i as f64 + 0.5).sqrt();
        // A line's end over 20 columns has 2/√20 of a column's σ; two of them.
        let error = noise * (2.0 * 4.0 / (20.0 * H as f64)).sqrt();
        for c in 0..3 {
            let of = |s: &Stacked| step(&s.rgb.planes()[c], SHIFT * i).abs();
            worst[0] = worst[0].max(of(&plain) / noise);
            worst[1] = worst[1].max((of(&level) - 3.0 * error).max(0.0) / noise);
        }
    }
    assert!(worst[0] > 2.0, "without levelling steps of {} σ", worst[0]);
    assert!(worst[1] < STEP_SIGMA, "steps of {} σ", worst[1]);
    for c in 0..3 {
        let mean = |s: &Stacked| {
            let data = s.rgb.planes()[c].data();
            data.iter().map(|v| f64::from(*v)).sum::<f64>() / data.len() as f64
        };
        let moved = (mean(&level) - mean(&plain)) / SIGMA;
        assert!(
            moved.abs() < LEVEL_SIGMA,
            "the level of channel {c} moved by {moved} σ"
        );
    }
}

#[test]
fn levelling_leaves_star_fluxes_alone() {
    /// Of the noise of the measured flux. What is left is the curvature of the mean of gradients of
    /// ±35 σ that end there, which an aperture and its ring feel.
    const NOISE_SHARE: f64 = 0.2;
    const APERTURE_PX: f64 = 81.0;
    let frames = staggered();
    let pair = [stack(&frames, &[], false), stack(&frames, &[], true)];
    for (x, y, _) in stars() {
        let (cx, cy) = (x.round() as usize, y.round() as usize);
        // An edge of coverage in the aperture steps in the plain stack.
        if (cx + 9) % SHIFT < 18 {
            continue;
        }
        let flux = |s: &Stacked| {
            let (mut core, mut ring) = ((0.0, 0.0), (0.0, 0.0));
            for py in cy - 8..=cy + 8 {
                for px in cx - 8..=cx + 8 {
                    let r = (px as f64 - cx as f64).hypot(py as f64 - cy as f64);
                    let sum = if r <= 5.0 { &mut core } else { &mut ring };
                    if r <= 8.0 {
                        *sum = (sum.0 + f64::from(s.rgb.at(px, py)[1]), sum.1 + 1.0);
                    }
                }
            }
            core.0 - ring.0 / ring.1 * core.1
        };
        let changed = (flux(&pair[1]) - flux(&pair[0])) / (SIGMA * (APERTURE_PX / FRAMES as f64).sqrt());
        assert!(changed.abs() < NOISE_SHARE, "at {x}, {y} by {changed} σ");
    }
}

/// A frame that shows only a corner, and one whose mask leaves a strip, with wild backgrounds.
#[test]
fn frames_of_little_coverage_do_no_harm() {
    const LIMIT_SIGMA: f64 = 1.0;
    let (mut frames, scene) = (staggered(), scene());
    frames.iter_mut().for_each(|f| f.0 = 0);
    for (i, f) in frames.iter_mut().enumerate() {
        f.1 = frame(&scene, 0, [i as f64 - 3.5, 0.0], 500 + i as u64);
    }
    frames.push((W - 60, frame(&scene, W - 60, [30.0, 80.0], 600)));
    frames.push((0, frame(&scene, 0, [40.0, -60.0], 601)));
    let mut masks: Vec<Option<Mask>> = (0..FRAMES + 1).map(|_| None).collect();
    masks.push(Some(Mask::from_fn(W, H, 8, |_, y| {
        ((60.0 - y) / 16.0).clamp(0.0, 1.0) as f32
    })));
    let out = stack(&frames, &masks, true);
    let mut worst = 0.0f64;
    for (y, x) in (0..H / 8).flat_map(|y| (0..W / 8).map(move |x| (y * 8, x * 8))) {
        let miss = |k: usize| f64::from(out.rgb.at(x + k % 8, y + k / 8)[1] - scene.at(x + k % 8, y + k / 8));
        worst = worst.max(((0..64).map(miss).sum::<f64>() / 64.0 / SIGMA).abs());
    }
    // Noise of a mean over 64 pixels of nine frames is 0.04 σ.
    assert!(worst < LIMIT_SIGMA, "off by {worst} σ");
}
