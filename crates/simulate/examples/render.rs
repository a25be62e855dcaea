//! Renders the default night: `cargo run -p nightloom-simulate --example render -- FOLDER
//! [--size small|default|full] [--sky N] [--land N] [--darks N] [--flats N] [--seed N] [--matte-only]`.
#![allow(
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "a command-line example prints"
)]

use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::atomic::AtomicBool;

use nightloom_simulate::{Scenario, Size, TruthPictures, render};

fn main() -> ExitCode {
    match run() {
        Ok(()) => ExitCode::SUCCESS,
        Err(why) => {
            eprintln!("{why}");
            ExitCode::from(2)
        }
    }
}

fn run() -> Result<(), String> {
    let mut arguments = std::env::args().skip(1);
    let folder = PathBuf::from(
        arguments
            .next()
            .ok_or("the first argument must be a folder to render into")?,
    );
    let mut scenario = Scenario::default();
    while let Some(flag) = arguments.next() {
        if flag == "--matte-only" {
            scenario.truth_pictures = TruthPictures::Matte;
            continue;
        }
        let value = arguments.next().ok_or_else(|| format!("{flag} needs a value"))?;
        let number = || {
            value
                .parse::<usize>()
                .map_err(|_| format!("{flag} expects a number, not {value}"))
        };
        match flag.as_str() {
            "--size" => scenario.size = size(&value)?,
            "--sky" => scenario.counts.sky = number()?,
            "--land" => scenario.counts.land = number()?,
            "--darks" => scenario.counts.dark = number()?,
            "--flats" => scenario.counts.flat = number()?,
            "--seed" => scenario.seed = number()? as u64,
            _ => return Err(format!("unknown flag {flag}")),
        }
    }
    let started = std::time::Instant::now();
    let progress = |done: usize, total: usize, what: &str| {
        println!(
            "{:6.1} s  {done}/{total}  {what}",
            started.elapsed().as_secs_f64()
        );
    };
    render(&scenario, &folder, &progress, &AtomicBool::new(false)).map_err(|e| e.to_string())?;
    Ok(())
}

fn size(name: &str) -> Result<Size, String> {
    match name {
        "small" => Ok(Size::Small),
        "default" => Ok(Size::Default),
        "full" => Ok(Size::Full),
        _ => Err(format!("--size expects small, default or full, not {name}")),
    }
}
