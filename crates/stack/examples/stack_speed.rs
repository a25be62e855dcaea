//! How long a stack takes: scratch files of 24 Mpx made up, warped and combined.
//!
//! `cargo run --release -p nightloom-stack --example stack_speed [FRAMES [WIDTH HEIGHT]]`
#![allow(clippy::print_stdout, reason = "a program that reports to its user")]

use std::error::Error;
use std::sync::atomic::AtomicBool;
use std::time::Instant;

use nightloom_raster::{Plane, WorkFile, WorkShape, WorkValues};
use nightloom_stack::{CombineSettings, Input, WarpSettings, combine, warp};

/// Peak resident memory of this process in MiB, where the system tells.
fn peak_mib() -> usize {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status
        .lines()
        .find(|l| l.starts_with("VmHWM"))
        .unwrap_or_default();
    line.split_whitespace()
        .nth(1)
        .and_then(|kib| kib.parse::<usize>().ok())
        .unwrap_or(0)
        / 1024
}

/// Processor seconds of all threads so far, in hundredths as Linux counts them: on a busy machine
/// they tell more than the clock.
fn processor_s() -> f64 {
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    let fields = stat
        .rsplit(')')
        .next()
        .unwrap_or_default()
        .split_whitespace()
        .skip(11)
        .take(2);
    fields.filter_map(|f| f.parse::<f64>().ok()).sum::<f64>() / 100.0
}

/// Turned by `turn` radians, shifted, with a slight distortion.
fn mapping(turn: f64, width: usize, height: usize) -> impl Fn([f64; 2]) -> Option<[f64; 2]> + Sync {
    let (cx, cy) = (width as f64 / 2.0, height as f64 / 2.0);
    let (s, c) = turn.sin_cos();
    move |[x, y]| {
        let (u, v) = (x - cx, y - cy);
        let stretch = 1.0 + 0.01 * (u * u + v * v) / (cx * cx + cy * cy);
        Some([
            cx + stretch * (c * u - s * v) + 1.3,
            cy + stretch * (s * u + c * v) - 0.6,
        ])
    }
}

fn main() -> Result<(), Box<dyn Error>> {
    let mut arguments = std::env::args().skip(1).map(|a| a.parse::<usize>());
    let frames = arguments.next().transpose()?.unwrap_or(12);
    let width = arguments.next().transpose()?.unwrap_or(6000);
    let height = arguments.next().transpose()?.unwrap_or(4000);
    let folder = tempfile::tempdir()?;
    let files = make(folder.path(), frames, width, height)?;

    let plane = files[0].read_plane(1)?;
    let turned = mapping(0.02, width, height);
    let (start, cpu) = (Instant::now(), processor_s());
    for _ in 0..3 {
        warp(&plane, 0, &turned, width, height, &WarpSettings::default())?;
    }
    println!(
        "warp, 3 planes in memory: {:.2} s, processor {:.2} s",
        start.elapsed().as_secs_f64(),
        processor_s() - cpu
    );
    drop(plane);
    println!("peak before combining: {} MiB", peak_mib());

    let inputs: Vec<Input> = files
        .iter()
        .enumerate()
        .map(|(i, f)| Input {
            to_source: Some(Box::new(mapping(0.002 * i as f64, width, height))),
            ..Input::unmoved(f)
        })
        .collect();
    let (start, cpu) = (Instant::now(), processor_s());
    let settings = CombineSettings::default();
    let out = combine(
        &inputs,
        width,
        height,
        &settings,
        &|_| (),
        &AtomicBool::new(false),
    )?;
    println!(
        "combine, {frames} frames of {width} x {height}: {:.2} s, processor {:.2} s",
        start.elapsed().as_secs_f64(),
        processor_s() - cpu
    );
    println!("rejected {:.4}, noise {:?}", out.rejected_fraction, out.noise);
    println!(
        "peak: {} MiB, of which the result {} MiB",
        peak_mib(),
        (width * height * 16) >> 20
    );
    Ok(())
}

/// Frames of plain noise: the arithmetic does not care what it sees.
fn make(
    folder: &std::path::Path,
    frames: usize,
    width: usize,
    height: usize,
) -> Result<Vec<WorkFile>, Box<dyn Error>> {
    let mut state = 1u32;
    let noise = Plane::from_fn(4099, 64, |_, _| {
        // Sum of four uniform values is near enough to normal.
        let sum: f32 = (0..4)
            .map(|_| {
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                (state >> 8) as f32 / (1 << 24) as f32
            })
            .sum();
        0.05 + 0.004 * (sum - 2.0)
    });
    let values = noise.data();
    (0..frames)
        .map(|i| {
            let path = folder.join(format!("{i}.work"));
            let shape = WorkShape {
                width,
                height,
                planes: 3,
                values: WorkValues::Fixed16,
            };
            let file = WorkFile::create(&path, shape, |plane, y, out| {
                let start = (i * 7_919 + plane * 104_729 + y * 6_151) % 100_003;
                out.iter_mut()
                    .enumerate()
                    .for_each(|(x, v)| *v = values[(start + x) % values.len()]);
                Ok(())
            })?;
            Ok(file)
        })
        .collect()
}
