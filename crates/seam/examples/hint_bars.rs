//! How long a hint takes on a picture of 24 megapixels.
//!
//! `cargo run --release -p nightloom-seam --example hint_bars`
#![allow(clippy::print_stdout, reason = "a report")]

use std::time::Instant;

use nightloom_raster::{Plane, Rgb};
use nightloom_seam::{
    Evidence, MatteSettings, SeparateSettings, Side, Stroke, Work, group_strokes, matte, separate,
    solve_group,
};

const SIZE: [usize; 2] = [6000, 4000];
const LAKE: ([f32; 2], [f32; 2]) = ([2000.0, 3500.0], [600.0, 150.0]);

/// A repeatable scatter, −1 to 1.
fn scatter(x: usize, y: usize, c: usize) -> f32 {
    let mut v = (x as u64) << 34 ^ (y as u64) << 4 ^ c as u64;
    for _ in 0..2 {
        v = (v ^ (v >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        v ^= v >> 27;
    }
    (v >> 40) as f32 / (1 << 23) as f32 - 1.0
}

fn ridge(x: f32) -> f32 {
    // Trees of 20 to 60 px on a rolling ridge.
    let tooth = |wide: f32, tall: f32| tall * (1.0 - 2.0 * ((x / wide).fract() - 0.5).abs());
    2600.0 + 240.0 * (x / 900.0).sin() + 60.0 * (x / 210.0).sin() - tooth(47.0, 60.0) - tooth(13.0, 20.0)
}

fn scene() -> Rgb {
    let sky = [0.017, 0.02, 0.023];
    Rgb::from_planes(std::array::from_fn(|c| {
        Plane::from_fn(SIZE[0], SIZE[1], |x, y| {
            let v = y as f32 / SIZE[1] as f32;
            let part = |v: usize, i: usize| ((v as f32 - LAKE.0[i]) / LAKE.1[i]).powi(2);
            let level = if part(x, 0) + part(y, 1) < 1.0 || (y as f32) < ridge(x as f32) {
                sky[c] * (0.8 + 0.3 * v)
            } else {
                sky[c] * 0.35 * [0.9, 1.0, 0.75][c] * (1.0 + 0.4 * scatter(x / 5, y / 5, 3))
            };
            level + 0.05 * (level * sky[c]).sqrt() * scatter(x, y, c)
        })
    }))
}

fn main() {
    let land = scene();
    let evidence = Evidence::of_land(&land, 4);
    let (work, settings) = (Work::quiet(), MatteSettings::default());
    let began = Instant::now();
    let coarse = separate(&evidence, &SeparateSettings::default(), &work).expect("labels");
    println!("labels {:.2} s", began.elapsed().as_secs_f64());
    let began = Instant::now();
    let base = matte(&evidence, &coarse, &settings, &work).expect("matte");
    println!(
        "matte {:.2} s, sky {:.3}",
        began.elapsed().as_secs_f64(),
        base.sky_fraction
    );
    let stroke = |side, radius_px, points: &[[f32; 2]]| Stroke {
        side,
        radius_px,
        points: points.to_vec(),
    };
    for (what, stroke) in [
        ("a dab on the ridge", stroke(Side::Sky, 20.0, &[[3000.0, 2600.0]])),
        (
            "a short stroke along the ridge",
            stroke(Side::Land, 15.0, &[[3000.0, 2600.0], [3500.0, 2620.0]]),
        ),
        (
            "a long stroke along the ridge",
            stroke(Side::Sky, 15.0, &[[500.0, 2400.0], [3500.0, 2400.0]]),
        ),
        (
            "a stroke over a lake of 1200 × 300 px",
            stroke(Side::Land, 30.0, &[[1600.0, 3500.0], [2400.0, 3500.0]]),
        ),
        (
            "a stroke across the open sky",
            stroke(Side::Land, 30.0, &[[1600.0, 800.0], [2400.0, 900.0]]),
        ),
    ] {
        let strokes = [stroke];
        let began = Instant::now();
        let groups = group_strokes(&coarse, &strokes, &settings);
        let grouped = began.elapsed().as_secs_f64();
        for group in &groups {
            let patch =
                solve_group(&evidence, &coarse, &base, &strokes, group, &settings, &work).expect("a patch");
            println!(
                "{what}: {:.2} s ({grouped:.2} s of it cells), window {} × {} px",
                began.elapsed().as_secs_f64(),
                patch.alpha.width(),
                patch.alpha.height(),
            );
        }
    }
}
