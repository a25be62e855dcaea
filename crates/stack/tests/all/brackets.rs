//! Frames of different exposure and ISO combined by what they are worth.

use std::sync::atomic::AtomicBool;

use nightloom_raster::{Mosaic, Plane, Rgb};
use nightloom_stack::{CombineSettings, Input, PixelNoise, Stacked, combine, frame_noise, whiten_clipped};

use crate::scene::Random;

const W: usize = 192;
const H: usize = 128;

/// Light of the scene: a dark foreground that brightens to the right, and a lamp.
fn light(x: usize, y: usize) -> f64 {
    let lamp = if (x as i32 - 150).pow(2) + (y as i32 - 60).pow(2) < 64 {
        3.0
    } else {
        0.0
    };
    0.004 + 0.1 * (x as f64 / W as f64).powi(2) + lamp
}

/// One frame of the scene: `unit` is the light that saturates it, `read` its read noise in parts of saturation,
/// `shot` the variance of a saturated pixel in the same.
struct Taken {
    picture: Rgb,
    clipped: nightloom_stack::Clipped,
    unit: f32,
    noise: PixelNoise,
}

fn taken(seed: u64, unit: f64, read: f64, shot: f64) -> Taken {
    let mut random = Random::new(seed);
    let mut plane = || {
        Plane::from_fn(W, H, |x, y| {
            let share = light(x, y) / unit;
            let noisy = share + random.normal() * (read * read + shot * share).sqrt();
            noisy.min(1.0) as f32
        })
    };
    let mut picture = Rgb::from_planes([plane(), plane(), plane()]);
    let clipped = whiten_clipped(&mut picture, [1.0; 3], None);
    Taken {
        picture,
        clipped,
        unit: unit as f32,
        noise: PixelNoise {
            read: (read * unit).powi(2) as f32,
            shot: (shot * unit) as f32,
        },
    }
}

fn stacked(frames: &[Taken]) -> Stacked {
    let inputs: Vec<Input<'_>> = frames
        .iter()
        .map(|f| Input {
            gain: [f.unit; 3],
            noise: f.noise,
            clipped: Some((&f.clipped, f.unit)),
            ..Input::unmoved(&f.picture)
        })
        .collect();
    let settings = CombineSettings {
        feather_px: 0.0,
        level_frames: false,
        ..CombineSettings::default()
    };
    combine(&inputs, W, H, &settings, &|_| {}, &AtomicBool::new(false)).unwrap()
}

/// Bias and root mean square error of green where `of` says so.
fn errors(stack: &Stacked, of: impl Fn(usize, usize) -> bool) -> (f64, f64) {
    let places = (0..H)
        .flat_map(|y| (0..W).map(move |x| (x, y)))
        .filter(|p| of(p.0, p.1));
    let (mut n, mut sum, mut square) = (0.0, 0.0, 0.0);
    for (x, y) in places {
        let off = f64::from(stack.rgb.planes()[1].at(x, y)) / light(x, y) - 1.0;
        (n, sum, square) = (n + 1.0, sum + off, square + off * off);
    }
    (sum / n, (square / n).sqrt())
}

/// The best unbiased mean has a variance of 1 over the sum of 1/variance (Gauss–Markov). Rejection and the light's
/// own estimate may cost a little.
#[test]
fn a_bracket_is_as_quiet_as_its_frames_allow_in_shadow_and_light() {
    const OVER_IDEAL: f64 = 1.12;
    for seed in 0..10 {
        let read = 0.002;
        let shot = 2e-5;
        // Exposures 1, ¼ and 4, twice each.
        let units = [1.0, 4.0, 0.25, 1.0, 4.0, 0.25];
        let frames: Vec<Taken> = units
            .iter()
            .enumerate()
            .map(|(k, unit)| taken(seed * 10 + k as u64, *unit, read, shot))
            .collect();
        let stack = stacked(&frames);
        for columns in [5..40, 60..120] {
            let (bias, rms) = errors(&stack, |x, y| columns.contains(&x) && y > 4);
            let mut ideal = 0.0;
            let mut n = 0.0;
            for x in columns {
                let l = light(x, 0);
                let precision: f64 = units
                    .iter()
                    .map(|u| 1.0 / ((read * u).powi(2) + shot * u * l))
                    .sum();
                ideal += 1.0 / precision / (l * l);
                n += 1.0;
            }
            let ideal = f64::sqrt(ideal / n);
            assert!(
                rms < OVER_IDEAL * ideal,
                "seed {seed}: noise {rms:.5}, {ideal:.5} is the least"
            );
            assert!(
                bias.abs() < 0.1 * ideal,
                "seed {seed}: biased by {bias:.6}, noise {rms:.5}"
            );
        }
    }
}

#[test]
fn a_lamp_that_clips_in_the_long_frames_comes_from_the_short_one() {
    for seed in 0..10 {
        let frames = [
            taken(seed, 0.25, 0.002, 2e-5),
            taken(seed + 100, 1.0, 0.002, 2e-5),
            taken(seed + 200, 4.0, 0.002, 2e-5),
        ];
        let stack = stacked(&frames);
        let in_lamp = |x: usize, y: usize| (x as i32 - 150).pow(2) + (y as i32 - 60).pow(2) < 30;
        let (bias, rms) = errors(&stack, in_lamp);
        assert!(bias.abs() < 0.005 && rms < 0.02, "seed {seed}: {bias} {rms}");
    }
}

/// A light that crosses one frame is thrown out of it, whichever it crosses, if it stands out of its noise.
#[test]
fn a_passing_light_is_rejected_from_long_and_short_frames() {
    for crossed in 0..5 {
        let mut frames: Vec<Taken> = [1.0, 0.25, 1.0, 4.0, 1.0]
            .iter()
            .enumerate()
            .map(|(k, unit)| taken(900 + k as u64, *unit, 0.001, 1e-5))
            .collect();
        let frame = &mut frames[crossed];
        for plane in frame.picture.planes_mut() {
            for x in 10..110 {
                *plane.at_mut(x, 100) += 0.08 / frame.unit;
            }
        }
        let stack = stacked(&frames);
        let (bias, _) = errors(&stack, |x, y| (20..100).contains(&x) && y == 100);
        let (round, _) = errors(&stack, |x, y| (20..100).contains(&x) && y == 104);
        assert!(
            (bias - round).abs() < 0.05,
            "frame {crossed}: {bias} against {round}"
        );
    }
}

/// The noise of a raw frame with stars and an edge in it, against what was painted.
#[test]
fn a_frame_tells_its_own_noise() {
    const TOLERANCE: f64 = 0.15;
    use nightloom_raster::Cfa;
    for seed in 0..10 {
        let cfa = [
            Cfa::RGGB,
            Cfa::GBRG,
            Cfa::X_TRANS,
            Cfa::X_TRANS.moved(1, 3),
            Cfa::NONE,
        ][seed as usize % 5];
        let (read, shot) = (0.0015f64, 3e-5f64);
        let mut random = Random::new(seed);
        let frame = Mosaic {
            plane: Plane::from_fn(640, 480, |x, y| {
                let star = if (x % 37 < 3) && (y % 41 < 3) { 0.2 } else { 0.0 };
                let base = if y > 300 {
                    0.003
                } else {
                    0.02 + 0.06 * x as f64 / 640.0
                };
                let value: f64 = base + star;
                (value + random.normal() * (read * read + shot * value).sqrt()) as f32
            }),
            cfa,
        };
        let found = frame_noise(&frame).unwrap();
        for level in [0.003, 0.03, 0.07] {
            let truth = read * read + shot * level;
            let ours = f64::from(found.variance(level as f32));
            // The quietest quarter of small patches lies below the mean, less far where more pixels of a patch are used; a
            // factor that all frames of a camera share.
            let quiet = if cfa.side() == 2 { 0.78 } else { 0.86 };
            let ratio = ours / truth / quiet;
            assert!(
                (ratio - 1.0).abs() < TOLERANCE,
                "seed {seed}, {cfa:?}, level {level}: {ratio}"
            );
        }
    }
}
