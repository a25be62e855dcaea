//! Noise of the sky stack against the ideal for the frames used.
//!
//! **Ideal**: each raw sample of a used frame counts once, weighted by its inverse variance as the simulation
//! made it (see `ideal.rs`). Masters without noise, nothing rejected.
//!
//! Measured per camera channel, in single pixels and in means of 8 × 8 px, in which it matters little that
//! demosaicing and resampling share noise out among neighbours; median over tiles of 256 × 256 px that all
//! used frames cover:
//!
//! 1. One frame alone, brought through the same program to the same place: its 8 px means against
//!    σ/√m, m the raw samples of the channel under the block (half the pixels are green, a quarter red, a
//!    quarter blue; a pixel of the picture is as many pixels of a frame as its solid angle says). No step of
//!    the program is in this ideal, so a calibration or demosaicing that adds noise shows. Somewhat under 1 is
//!    right, for interpolation blurs the blocks' edges.
//! 2. The stack against that frame, times the ideal ratio of the whole set's noise to the frame's: weights,
//!    rejection and what the masters add show, in both figures. These are held against the bar.
//!
//! On the *plain night* (the demo's without stars too faint to be told apart) the stack itself is measured,
//! between its stars, the truth's noiseless sky taken off. On the demo's night what faint stars leave is
//! texture, not noise; there the frames are stacked in two halves, whose difference holds no stars: its σ times
//! √(n₁n₂)/n is that of all n frames together. Noise that both halves share (the masters') shows on the plain
//! night only.

use std::path::Path;

use nightloom_raster::{Plane, Rgb};
use nightloom_simulate::TruthFrame;

use crate::grain::Clear;
use crate::ideal::ideals;
use crate::pixels::{counts, linear, median};
use crate::scene::Scene;
use crate::{Outcome, program, row};

/// Side of the blocks.
const BLOCK_PX: usize = 8;
/// Share of the raw samples that are red, green, blue.
const SHARE: [f64; 3] = [0.25, 0.5, 0.25];

/// Noise over ideal, median over the tiles, for red, green and blue.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Noise {
    /// Of blocks.
    blocks: [f64; 3],
    /// Of single pixels, over the noise of a raw sample.
    pixels: [f64; 3],
    tiles: usize,
}

/// The stack of the plain night, measured between its stars; `starless` is the truth's sky. Returns the noise
/// of one frame.
pub(crate) fn plain(scene: &Scene, starless: &Rgb) -> Outcome<Noise> {
    let all = scene.to_camera(scene.linear.clone())?;
    let reference = scene.reference_truth();
    let (alone, _) = stack_of(scene, &scene.folder, |path| path == reference.path)?;
    let clear = without_stars(scene, Clear::covered(&scene.coverage, scene.stacked));
    let set: Vec<&TruthFrame> = scene.used().map(|(_, truth)| truth).collect();
    let stack = over_ideal(scene, &clear, &less(scene, &all, starless)?, &set)?;
    let single = over_ideal(scene, &clear, &less(scene, &alone, starless)?, &[reference])?;
    row(
        "noise of one frame, plain night",
        format!("8 px means {} of the electrons'", triple(&single.blocks)),
    );
    tell(
        &format!("noise of {} frames, plain night", set.len()),
        &stack,
        &single,
    );
    Ok(single)
}

/// The stack of the demo's night by the difference of its halves; `single` is one frame's noise.
pub(crate) fn halves(scene: &Scene, single: &Noise) -> Outcome<()> {
    let set: Vec<&TruthFrame> = scene.used().map(|(_, truth)| truth).collect();
    let n = set.len();
    if n < 4 {
        return Ok(());
    }
    let folder = program::beside(&scene.folder, "halves");
    program::twin(&scene.folder, &folder)?;
    let half = |odd: usize| {
        let wanted = |path: &str| {
            set.iter()
                .position(|f| f.path == path)
                .is_some_and(|k| k % 2 == odd)
        };
        stack_of(scene, &folder, wanted)
    };
    let (even, even_cover) = half(0)?;
    let (odd, odd_cover) = half(1)?;
    std::fs::remove_dir_all(&folder)?;
    let (n_even, n_odd) = (n.div_ceil(2), n / 2);
    let factor = ((n_even * n_odd) as f32).sqrt() / n as f32;
    let difference = planes(|c| {
        let (a, b) = (&even.planes()[c], &odd.planes()[c]);
        Plane::from_fn(a.width(), a.height(), |x, y| (a.at(x, y) - b.at(x, y)) * factor)
    });
    let clear = Clear::covered(&even_cover, n_even).and(&Clear::covered(&odd_cover, n_odd));
    let stack = over_ideal(scene, &without_stars(scene, clear), &difference, &set)?;
    tell(&format!("noise of {n} frames, by halves"), &stack, single);
    Ok(())
}

/// Camera colours and coverage of a stack of those sky frames that are `wanted`.
fn stack_of(scene: &Scene, folder: &Path, wanted: impl Fn(&str) -> bool) -> Outcome<(Rgb, Plane)> {
    let frames = scene.report.frames.iter().filter(|f| f.role == "sky");
    let left_out: Vec<&str> = frames.map(|f| f.path.as_str()).filter(|p| !wanted(p)).collect();
    let report = program::build(folder, &left_out)?;
    let canvas = [report.canvas.width_px, report.canvas.height_px];
    if canvas != [scene.coverage.width(), scene.coverage.height()] {
        return Err("fewer frames made another canvas".into());
    }
    let stack = scene.to_camera(linear(report.outputs.linear.as_deref())?)?;
    let coverage = counts(report.outputs.coverage.as_deref().ok_or("no coverage")?)?;
    Ok((stack, coverage))
}

/// A stack less the truth's sky where the land frame reaches; elsewhere as it is.
fn less(scene: &Scene, stack: &Rgb, sky: &Rgb) -> Outcome<Rgb> {
    let [ox, oy] = scene.report.canvas.land_origin_px;
    let [ox, oy] = [usize::try_from(ox)?, usize::try_from(oy)?];
    Ok(planes(|c| {
        let (stack, sky) = (&stack.planes()[c], &sky.planes()[c]);
        Plane::from_fn(stack.width(), stack.height(), |x, y| {
            let inside = x >= ox && y >= oy && x - ox < sky.width() && y - oy < sky.height();
            stack.at(x, y) - if inside { sky.at(x - ox, y - oy) } else { 0.0 }
        })
    }))
}

fn planes(plane: impl Fn(usize) -> Plane) -> Rgb {
    Rgb::from_planes([plane(0), plane(1), plane(2)])
}

fn without_stars(scene: &Scene, mut clear: Clear) -> Clear {
    let frame = scene.reference_truth();
    for star in &frame.stars {
        if let Some(at) = scene.in_picture(frame, star.at_px.map(f64::from)) {
            clear.without(at, 6.0 + 1.5 * f64::from(6.0 - star.v_mag).max(0.0));
        }
    }
    clear
}

/// Noise of a picture over the ideal of `frames`.
fn over_ideal(scene: &Scene, clear: &Clear, noisy: &Rgb, frames: &[&TruthFrame]) -> Outcome<Noise> {
    let (mut blocks, mut pixels) = ([const { Vec::new() }; 3], [const { Vec::new() }; 3]);
    let tiles = clear.tiles();
    for (tile, ideal) in tiles.iter().zip(ideals(scene, frames, &tiles)?) {
        let Some(ideal) = ideal else { continue };
        for (c, plane) in noisy.planes().iter().enumerate() {
            let found = clear
                .noise(plane, *tile, BLOCK_PX)
                .zip(clear.noise(plane, *tile, 1));
            if let Some((block, pixel)) = found {
                let samples = SHARE[c] * (BLOCK_PX * BLOCK_PX) as f64;
                blocks[c].push(block / (ideal.of_area[c] / samples).sqrt());
                pixels[c].push(pixel / ideal.of_sample[c].sqrt());
            }
        }
    }
    Ok(Noise {
        tiles: blocks[1].len(),
        blocks: blocks.map(|mut v| median(&mut v)),
        pixels: pixels.map(|mut v| median(&mut v)),
    })
}

fn tell(name: &str, stack: &Noise, single: &Noise) {
    let over = |all: &[f64; 3], one: &[f64; 3]| triple(&std::array::from_fn(|c| all[c] / one[c]));
    row(
        name,
        format!(
            "single pixels {}, 8 px means {} of the ideal (R, G, B; {} tiles)  (bar 1.15)",
            over(&stack.pixels, &single.pixels),
            over(&stack.blocks, &single.blocks),
            stack.tiles
        ),
    );
}

fn triple(values: &[f64; 3]) -> String {
    let [r, g, b] = values;
    format!("{r:.3} {g:.3} {b:.3}")
}
