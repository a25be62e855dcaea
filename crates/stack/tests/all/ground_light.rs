//! Light that stays with the ground, carried to where the sky is shown.

use std::sync::atomic::AtomicBool;

use nalgebra::{Rotation3, Unit, Vector3};
use nightloom_raster::{Plane, Rgb};
use nightloom_stack::{CombineSettings, GroundDirection, Input, combine, ground_light};

const W: usize = 600;
const H: usize = 400;
const FOCAL_PX: f64 = 420.0;
const FRAMES: usize = 10;
/// The sky's turn from frame to frame, and from the last to the moment shown, radians.
const STEP: f64 = 0.007;
const LATER: f64 = 0.12;
const SIGMA: f64 = 0.001;

/// Looks west at 25° as the picture is shown; ground frame.
fn shown_direction([x, y]: [f64; 2]) -> Vector3<f64> {
    let (right, down) = ((x - 300.0) / FOCAL_PX, (y - 200.0) / FOCAL_PX);
    let forward = Vector3::new(-25f64.to_radians().cos(), 0.0, 25f64.to_radians().sin());
    let up = Vector3::new(25f64.to_radians().sin(), 0.0, 25f64.to_radians().cos());
    (forward + Vector3::y() * right - up * down).normalize()
}

/// Where the same stars stood `turn` earlier, under 45° north.
fn stood(turn: f64, pixel: [f64; 2]) -> Vector3<f64> {
    let pole = Unit::new_normalize(Vector3::new(0.0, 1.0, 1.0));
    // The sky goes round the pole from east over south to west: clockwise about it.
    Rotation3::from_axis_angle(&pole, turn) * shown_direction(pixel)
}

/// A town in the south-west and haze, of other shapes than those fitted.
fn ground(d: &Vector3<f64>) -> f64 {
    let altitude = d.z.asin().to_degrees().max(0.0);
    let off = d.x.atan2(d.y).to_degrees() + 125.0;
    let town = 0.02 * (-(off / 25.0f64).powi(2)).exp() / (1.0 + (altitude / 6.0).powi(2));
    town + 0.02 * (-altitude / 9.0).exp() + 0.01
}

fn starlight([x, y]: [f64; 2]) -> f64 {
    0.01 + 0.006 * (-((x - 0.6 * y - 180.0) / 90.0).powi(2)).exp()
}

fn noise(seed: &mut u64) -> f64 {
    let mut uniform = || {
        *seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
        (*seed >> 11) as f64 / (1u64 << 53) as f64
    };
    (0..12).map(|_| uniform()).sum::<f64>() - 6.0
}

/// A frame that lies on the canvas as it is, with a change of the whole of `flicker`.
fn frame(turn: f64, flicker: f64, seed: u64) -> Rgb {
    let mut seed = seed;
    let mut plane = || {
        Plane::from_fn(W, H, |x, y| {
            let pixel = [x as f64, y as f64];
            let light = starlight(pixel) + ground(&stood(turn, pixel)) + flicker;
            (light + SIGMA * noise(&mut seed)) as f32
        })
    };
    Rgb::from_planes([plane(), plane(), plane()])
}

fn turns() -> Vec<f64> {
    (0..FRAMES)
        .map(|i| LATER + STEP * (FRAMES - 1 - i) as f64)
        .collect()
}

/// Median of what the stack is off the truth, as a share of the truth, in rows `from` to `to`.
fn off(stack: &Plane, from: usize, to: usize) -> f64 {
    let mut all: Vec<f64> = Vec::new();
    for y in (from..to).step_by(5) {
        for x in (5..W - 5).step_by(5) {
            let pixel = [x as f64, y as f64];
            let truth = starlight(pixel) + ground(&shown_direction(pixel));
            let mean: f64 = (0..25)
                .map(|k| f64::from(stack.at(x + k % 5 - 2, y + k / 5 - 2)))
                .sum::<f64>()
                / 25.0;
            all.push((mean / truth - 1.0).abs());
        }
    }
    all.sort_by(f64::total_cmp);
    all[all.len() / 2]
}

#[test]
fn the_sky_is_shown_in_the_light_of_where_it_stands() {
    /// Of the sky's brightness; unmended it is an eighth too dark low down.
    const OFF: f64 = 0.02;
    const UNMENDED: f64 = 0.1;
    let flicker = |i: usize| 0.0004 * [0.0, 1.0, -1.0, 0.5][i % 4];
    let frames: Vec<Rgb> = turns()
        .iter()
        .enumerate()
        .map(|(i, turn)| frame(*turn, flicker(i), 7 + i as u64))
        .collect();
    let directions: Vec<Box<GroundDirection<'_>>> = turns()
        .into_iter()
        .map(|turn| -> Box<GroundDirection<'_>> { Box::new(move |p| Some(stood(turn, p))) })
        .collect();
    let shown: &GroundDirection<'_> = &|p| Some(shown_direction(p));
    let mut inputs: Vec<Input> = frames.iter().map(|f| Input::unmoved(f)).collect();
    let settings = CombineSettings {
        level_frames: false,
        ..Default::default()
    };
    let stack = |inputs: &[Input]| {
        let stacked = combine(inputs, W, H, &settings, &|_| (), &AtomicBool::new(false)).expect("stacks");
        stacked.rgb.planes()[1].clone()
    };
    let plain = stack(&inputs);
    let surfaces = ground_light(&inputs, &directions, shown, (W, H), 0, &AtomicBool::new(false))
        .expect("readable")
        .expect("told by the frames");
    for (input, surface) in inputs.iter_mut().zip(surfaces) {
        input.surface = Some(surface);
    }
    let mended = stack(&inputs);
    let low = [&plain, &mended].map(|p| off(p, 250, 380));
    assert!(low[0] > UNMENDED, "nothing to mend: {low:?}");
    assert!(low[1] < OFF, "low down: {low:?}");
    let high = off(&mended, 5, 150);
    assert!(high < OFF, "high up: {high}");
}

#[test]
fn one_frame_tells_nothing() {
    let only = frame(LATER, 0.0, 3);
    let inputs = [Input::unmoved(&only)];
    let directions: [Box<GroundDirection<'_>>; 1] = [Box::new(|p| Some(stood(LATER, p)))];
    let shown: &GroundDirection<'_> = &|p| Some(shown_direction(p));
    let surfaces = ground_light(&inputs, &directions, shown, (W, H), 0, &AtomicBool::new(false));
    assert!(surfaces.expect("readable").is_none());
}
