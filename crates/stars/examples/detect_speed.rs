//! Time and memory of `measure` on one frame of 24 megapixels (or as many as are asked for).
//!
//! `cargo run --release -p nightloom-stars --example detect_speed -- [megapixels] [file]`
//!
//! With a file name the frame is written there too, as 16-bit numbers (little-endian, 20 000 per
//! unit), for `benches/detect_sep.py`.

#![allow(
    dead_code,
    clippy::print_stdout,
    reason = "a report command that shares the tests' painter"
)]

#[path = "../tests/all/scene.rs"]
mod scene;

use std::time::Instant as Clock;

use nightloom_raster::Plane;
use nightloom_stars::{DetectSettings, measure};
use scene::{FULL_WELL, Look, Random, Source, expose, paint};

/// Stars per megapixel.
const STARS: f64 = 125.0;

/// Sky with a light dome and stars; the lowest fifth is dark, rough land.
fn frame(width: usize, height: usize) -> Plane {
    let mut random = Random(24);
    let look = Look::default();
    let count = (STARS * (width * height) as f64 / 1e6) as usize;
    let sources: Vec<Source> = (0..count)
        .map(|_| Source {
            x: random.range(3.0, width as f64 - 4.0),
            y: random.range(3.0, height as f64 - 4.0),
            electrons: random.flux(600.0),
        })
        .collect();
    let mut plane = paint(width, height, &sources, &look);
    for y in 0..height {
        for (x, value) in plane.row_mut(y).iter_mut().enumerate() {
            let ridge = 0.82 * height as f64 + 60.0 * (x as f64 / 400.0).sin();
            *value += 200.0 * (y as f32 / height as f32).powi(3);
            if y as f64 > ridge {
                *value = if (x / 9 + y / 7) % 5 == 0 { 140.0 } else { 40.0 };
            }
        }
    }
    expose(plane, &look, &mut random)
}

/// Highest memory of this process so far, MiB, where the system tells.
fn peak_mib() -> Option<f64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|l| l.starts_with("VmHWM"))?;
    line.split_whitespace()
        .nth(1)?
        .parse::<f64>()
        .ok()
        .map(|kib| kib / 1024.0)
}

fn main() {
    let mut arguments = std::env::args().skip(1);
    let megapixels: f64 = arguments.next().and_then(|a| a.parse().ok()).unwrap_or(24.0);
    let width = (megapixels * 1.5e6).sqrt().round() as usize;
    let height = width * 2 / 3;
    let image = frame(width, height);
    if let Some(path) = arguments.next() {
        let number =
            |v: &f32| ((f64::from(*v) * FULL_WELL).round().clamp(0.0, 65_535.0) as u16).to_le_bytes();
        let bytes: Vec<u8> = image.data().iter().flat_map(number).collect();
        std::fs::write(&path, bytes).expect("the frame is written");
        println!("{path}: {width} {height}");
    }
    println!(
        "{width} x {height}; {:.0} MiB before measuring",
        peak_mib().unwrap_or(0.0)
    );
    let mut best = f64::INFINITY;
    for _ in 0..7 {
        let clock = Clock::now();
        let field = measure(&image, &DetectSettings::default());
        let seconds = clock.elapsed().as_secs_f64();
        best = best.min(seconds);
        println!(
            "{seconds:.3} s: {} stars, FWHM {:.3} px, land {:.1} %",
            field.stars.len(),
            field.fwhm_px,
            100.0 * (1.0 - field.land.sky_fraction())
        );
    }
    println!("best {best:.3} s, peak {:.0} MiB", peak_mib().unwrap_or(0.0));
}
