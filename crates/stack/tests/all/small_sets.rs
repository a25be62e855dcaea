//! Sets of one to four frames, soft masks, and the fixed frames of the land.

use std::sync::atomic::AtomicBool;

use nightloom_raster::{Plane, Rgb};
use nightloom_stack::{CombineSettings, Input, Mask, Stacked, combine};

use crate::scene::{Random, Streak, add_star};

const W: usize = 240;
const H: usize = 160;
const SIGMA: f64 = 0.003;

/// Frames that already lie on each other and all cover all of the canvas, combined.
pub(crate) fn aligned(frames: &[Rgb]) -> Stacked {
    let inputs: Vec<Input> = frames.iter().map(|f| Input::unmoved(f)).collect();
    let (width, height) = (frames[0].width(), frames[0].height());
    let settings = CombineSettings {
        feather_px: 0.0,
        level_frames: false,
        ..CombineSettings::default()
    };
    combine(
        &inputs,
        width,
        height,
        &settings,
        &|_| (),
        &AtomicBool::new(false),
    )
    .unwrap()
}

/// Land below row 80 with texture down to single pixels; sky above, where star trails move on from
/// frame to frame along horizontal lines.
fn land_frame(i: usize, trails: bool, noise: bool) -> Rgb {
    let mut ground = Random::new(1);
    let mut texture = Plane::from_fn(W, H, |_, y| if y >= 80 { 0.02 } else { 0.03 });
    for _ in 0..400 {
        let (x, y) = (ground.between(0.0, W as f64), ground.between(84.0, H as f64));
        add_star(
            &mut texture,
            x,
            y,
            ground.between(0.01, 0.4),
            ground.between(1.5, 6.0),
        );
    }
    let mut random = Random::new(900 + i as u64);
    let mut rgb = Rgb::from_planes([texture.clone(), texture.clone(), texture]);
    for plane in rgb.planes_mut() {
        for y in 0..H {
            for x in 0..W {
                // Trails 30 px long with 1 px between one frame's and the next's.
                let on_line = y % 13 == 6 && y < 80;
                let mine = (x + y * 7) / 31 % 4 == i % 4 && (x + y * 7) % 31 != 0;
                let trail = if trails && on_line && mine {
                    0.05 + 0.001 * y as f64
                } else {
                    0.0
                };
                let noise = if noise { SIGMA * random.normal() } else { 0.0 };
                *plane.at_mut(x, y) += (trail + noise) as f32;
            }
        }
    }
    rgb
}

fn rms(a: &Rgb, b: &Rgb, rows: std::ops::Range<usize>) -> f64 {
    let pixels = || rows.clone().flat_map(|y| (0..W).map(move |x| (x, y)));
    let sum: f64 = pixels()
        .map(|(x, y)| f64::from(a.at(x, y)[1] - b.at(x, y)[1]).powi(2))
        .sum();
    (sum / pixels().count() as f64).sqrt()
}

#[test]
fn land_keeps_its_texture_and_its_noise_falls_as_the_root_of_n() {
    const NOISE_RATIO: f64 = 1.15;
    let truth = land_frame(0, false, false);
    for n in [1usize, 2, 3, 4, 8] {
        let frames: Vec<Rgb> = (0..n).map(|i| land_frame(i, true, true)).collect();
        let out = aligned(&frames);
        let ratio = rms(&out.rgb, &truth, 84..H) / (SIGMA / (n as f64).sqrt());
        assert!(ratio < NOISE_RATIO, "{n} frames: {ratio} of the ideal");
    }
}

#[test]
fn trailed_stars_go_from_four_land_frames() {
    const RESIDUAL_SIGMA: f64 = 1.0;
    let frames: Vec<Rgb> = (0..4).map(|i| land_frame(i, true, true)).collect();
    let clean: Vec<Rgb> = (0..4).map(|i| land_frame(i, false, true)).collect();
    let (out, ideal) = (aligned(&frames), aligned(&clean));
    for y in (6..80).step_by(13) {
        let left = (0..W)
            .map(|x| f64::from(out.rgb.at(x, y)[1] - ideal.rgb.at(x, y)[1]))
            .sum::<f64>()
            / W as f64;
        let left = left / (SIGMA / 2.0);
        assert!(
            left.abs() < RESIDUAL_SIGMA,
            "row {y}: {left} σ of a trail are left"
        );
    }
}

#[test]
fn of_two_frames_that_disagree_the_darker_counts() {
    let streak = Streak {
        x0: 120.0,
        y0: 80.0,
        angle: 0.4,
        sigma_px: 1.2,
        height: 20.0 * SIGMA,
    };
    let frame = |i: u64, dirty: bool| {
        let mut random = Random::new(i);
        let plane = |_| {
            Plane::from_fn(W, H, |x, y| {
                let extra = if dirty {
                    streak.value(x as f64, y as f64)
                } else {
                    0.0
                };
                (0.05 + extra + SIGMA * random.normal()) as f32
            })
        };
        Rgb::from_planes([0, 1, 2].map(plane))
    };
    let out = aligned(&[frame(1, false), frame(2, true)]);
    let (mut sum, mut n) = (0.0, 0.0);
    for y in 0..H {
        for x in (0..W).filter(|x| streak.distance(*x as f64, y as f64) < 2.5) {
            sum += f64::from(out.rgb.at(x, y)[1]) - 0.05;
            n += 1.0;
        }
    }
    let left = sum / n / (SIGMA / 2f64.sqrt());
    assert!(left.abs() < 1.0, "{left} σ of the streak are left");
    assert!(out.rejected_per_input[0] < 0.02 && out.rejected_per_input[1] > 0.01);
}

/// A satellite fainter than the noise of one frame, in one of six frames: 1.5 σ high, seen only by
/// following it.
#[test]
fn a_streak_under_the_noise_leaves_less_than_a_sigma() {
    for (height, n) in [(1.5, 5), (2.5, 5), (2.5, 8), (4.0, 12)] {
        let streak = Streak {
            x0: 110.0,
            y0: 70.0,
            angle: 0.7,
            sigma_px: 1.1,
            height: height * SIGMA,
        };
        let frame = |i: u64| {
            let mut random = Random::new(40 + i);
            let plane = |_| {
                Plane::from_fn(W, H, |x, y| {
                    let extra = if i == 2 {
                        streak.value(x as f64, y as f64)
                    } else {
                        0.0
                    };
                    (0.05 + extra + SIGMA * random.normal()) as f32
                })
            };
            Rgb::from_planes([0, 1, 2].map(plane))
        };
        let out = aligned(&(0..n).map(frame).collect::<Vec<_>>());
        let (mut sum, mut count) = (0.0, 0.0);
        for y in 0..H {
            for x in (0..W).filter(|x| streak.distance(*x as f64, y as f64) < 1.5) {
                sum += f64::from(out.rgb.at(x, y)[1]) - 0.05;
                count += 1.0;
            }
        }
        let left = sum / count / (SIGMA / (n as f64).sqrt());
        assert!(
            left.abs() < 1.0,
            "{height} σ in {n} frames: {left} σ of the streak are left"
        );
    }
}

#[test]
fn masks_shape_the_coverage_and_the_mean() {
    let (bright, dark) = (Rgb::filled(W, H, [0.4; 3]), Rgb::filled(W, H, [0.1; 3]));
    // The bright frame counts left of column 80, with a soft edge; neither counts below row 120.
    let left = Mask::from_fn(W, H, 8, |x, y| {
        if y > 120.0 {
            0.0
        } else {
            ((80.0 - x) / 32.0) as f32
        }
    });
    let above = Mask::from_fn(W, H, 8, |_, y| if y > 120.0 { 0.0 } else { 1.0 });
    let mut settings = CombineSettings {
        level_frames: false,
        ..Default::default()
    };
    settings.reject.enabled = false;
    let inputs = [
        Input {
            mask: Some(&left),
            ..Input::unmoved(&bright)
        },
        Input {
            mask: Some(&above),
            weight: 3.0,
            ..Input::unmoved(&dark)
        },
    ];
    let out = combine(&inputs, W, H, &settings, &|_| (), &AtomicBool::new(false)).unwrap();
    assert!((out.coverage.at(10, 10) - 2.0).abs() < 1e-3 && (out.rgb.at(10, 10)[0] - 0.175).abs() < 1e-3);
    assert!((out.coverage.at(200, 10) - 1.0).abs() < 1e-3 && (out.rgb.at(200, 10)[2] - 0.1).abs() < 1e-4);
    // Half let through is a frame all the same; what it counts shows in the mean.
    let half = out.rgb.at(60, 10)[0];
    assert_eq!(out.coverage.at(60, 10), 2.0);
    assert!(half > 0.11 && half < 0.17, "{half}");
    assert_eq!((out.coverage.at(10, 150), out.rgb.at(10, 150)), (0.0, [0.0; 3]));
}

#[test]
fn gain_and_offset_bring_a_frame_to_the_level_of_the_set() {
    let frames = [
        Rgb::filled(40, 30, [0.1, 0.2, 0.3]),
        Rgb::filled(40, 30, [0.25, 0.45, 0.65]),
    ];
    let moved = Input {
        gain: [0.5; 3],
        offset: [-0.025; 3],
        ..Input::unmoved(&frames[1])
    };
    let inputs = [Input::unmoved(&frames[0]), moved];
    let out = combine(
        &inputs,
        40,
        30,
        &CombineSettings::default(),
        &|_| (),
        &AtomicBool::new(false),
    )
    .unwrap();
    for (got, right) in out.rgb.at(20, 15).iter().zip([0.1, 0.2, 0.3]) {
        assert!((got - right).abs() < 1e-6);
    }
}

/// Sky glow that changes over the hour: frame i has a gradient of its own, ±5 σ across the picture.
/// Nothing may be thrown out for that.
#[test]
fn a_moving_gradient_is_not_rejected() {
    let frame = |i: u64| {
        let mut random = Random::new(60 + i);
        let slope = (i as f64 - 2.5) * 4.0 * SIGMA / W as f64;
        let plane = |_| {
            Plane::from_fn(W, H, |x, _| {
                (0.05 + slope * (x as f64 - 120.0) + SIGMA * random.normal()) as f32
            })
        };
        Rgb::from_planes([0, 1, 2].map(plane))
    };
    let out = aligned(&(0..6).map(frame).collect::<Vec<_>>());
    assert!(out.rejected_fraction < 0.05, "{} rejected", out.rejected_fraction);
}

/// One frame laid down by an identity mapping: it is the stack, to its last pixel.
#[test]
fn one_mapped_frame_is_the_stack_to_its_border() {
    const TOLERANCE: f32 = 1e-6;
    let frame = land_frame(0, true, true);
    let mapped = Input {
        to_source: Some(Box::new(Some)),
        ..Input::unmoved(&frame)
    };
    let settings = CombineSettings::default();
    let out = combine(&[mapped], W, H, &settings, &|_| (), &AtomicBool::new(false)).unwrap();
    for y in 0..H {
        for x in 0..W {
            assert_eq!(out.coverage.at(x, y), 1.0, "at {x}, {y}");
            for (got, right) in out.rgb.at(x, y).iter().zip(frame.at(x, y)) {
                assert!((got - right).abs() < TOLERANCE, "at {x}, {y}: {got} for {right}");
            }
        }
    }
}

/// Two frames, the second shown 40 px to the right and 30 px down: each alone where only it reaches,
/// full strength to its border, both between.
#[test]
fn two_shifted_frames_cover_what_either_shows() {
    const TOLERANCE: f32 = 2e-6;
    let level = |x: f64, y: f64| (0.05 + 1e-4 * x + 2e-4 * y) as f32;
    let grey = |f: &dyn Fn(usize, usize) -> f32| Rgb::from_planes([0, 1, 2].map(|_| Plane::from_fn(W, H, f)));
    let first = grey(&|x, y| level(x as f64, y as f64));
    let second = grey(&|x, y| level(x as f64 + 40.0, y as f64 + 30.0));
    let inputs = [
        Input {
            to_source: Some(Box::new(Some)),
            ..Input::unmoved(&first)
        },
        Input {
            to_source: Some(Box::new(|[x, y]| Some([x - 40.0, y - 30.0]))),
            ..Input::unmoved(&second)
        },
    ];
    let settings = CombineSettings::default();
    let out = combine(
        &inputs,
        W + 40,
        H + 30,
        &settings,
        &|_| (),
        &AtomicBool::new(false),
    )
    .unwrap();
    for y in 0..H + 30 {
        for x in 0..W + 40 {
            let frames = u8::from(x < W && y < H) + u8::from(x >= 40 && y >= 30);
            assert_eq!(out.coverage.at(x, y), f32::from(frames), "at {x}, {y}");
            let right = if frames > 0 {
                level(x as f64, y as f64)
            } else {
                0.0
            };
            let got = out.rgb.at(x, y)[1];
            assert!((got - right).abs() < TOLERANCE, "at {x}, {y}: {got} for {right}");
        }
    }
}

/// Noise as demosaicing leaves it: averaged over neighbours with weights 1 2 1, brought back to `SIGMA`.
fn correlated(random: &mut Random) -> Plane {
    let white = Plane::from_fn(W + 2, H + 2, |_, _| random.normal() as f32);
    let weights = [1.0f32, 2.0, 1.0];
    // Σ w² of the two-dimensional kernel is 36, so the sum has 6 σ.
    Plane::from_fn(W, H, |x, y| {
        let all = (0..9).map(|k| weights[k % 3] * weights[k / 3] * white.at(x + k % 3, y + k / 3));
        all.sum::<f32>() / 6.0 * SIGMA as f32
    })
}

/// Satellites in one frame of several that were demosaiced and are moved by parts of pixels: the noise
/// is correlated and its σ differs from place to place, yet the streak goes and hardly anything else does.
#[test]
fn faint_streaks_go_from_correlated_noise_too() {
    /// Of the noise of the stack's single pixels.
    const RESIDUAL_SIGMA: f64 = 1.0;
    const REJECTED: f64 = 0.02;
    for (height, n) in [(2.0, 5), (3.0, 5), (3.0, 8), (4.0, 12)] {
        let streak = Streak {
            x0: 110.0,
            y0: 70.0,
            angle: 0.7,
            sigma_px: 1.4,
            height: height * SIGMA,
        };
        let shift = |i: usize| (0.37 * i as f64 - 1.1, 0.9 - 0.29 * i as f64);
        let frames: Vec<Rgb> = (0..n)
            .map(|i| {
                let mut random = Random::new(80 + i as u64);
                Rgb::from_planes([0, 1, 2].map(|_| {
                    let mut plane = correlated(&mut random);
                    let (dx, dy) = shift(i);
                    for (p, v) in plane.data_mut().iter_mut().enumerate() {
                        let at = ((p % W) as f64 - dx, (p / W) as f64 - dy);
                        let extra = if i == 2 { streak.value(at.0, at.1) } else { 0.0 };
                        *v += (0.05 + extra) as f32;
                    }
                    plane
                }))
            })
            .collect();
        let input = |(i, frame)| Input {
            to_source: Some(Box::new(move |[x, y]: [f64; 2]| {
                let (dx, dy) = shift(i);
                Some([x + dx, y + dy])
            })),
            ..Input::unmoved(frame as &Rgb)
        };
        let inputs: Vec<Input> = frames.iter().enumerate().map(input).collect();
        let settings = CombineSettings::default();
        let out = combine(&inputs, W, H, &settings, &|_| (), &AtomicBool::new(false)).unwrap();
        let (mut sum, mut count) = (0.0, 0.0);
        for y in 0..H {
            for x in (0..W).filter(|x| streak.distance(*x as f64, y as f64) < 1.5) {
                sum += f64::from(out.rgb.at(x, y)[1]) - 0.05;
                count += 1.0;
            }
        }
        let left = sum / count / (SIGMA / (n as f64).sqrt());
        let clean = out.rejected_per_input.iter().enumerate().filter(|(i, _)| *i != 2);
        let worst = clean.map(|(_, r)| *r).fold(0.0, f64::max);
        assert!(
            left.abs() < RESIDUAL_SIGMA,
            "{height} σ in {n} frames: {left} σ are left"
        );
        assert!(worst < REJECTED, "{worst} of a clean frame rejected");
    }
}
