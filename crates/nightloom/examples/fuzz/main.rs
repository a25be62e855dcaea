//! The parsers against damaged input for hours: `cargo run --release --example fuzz -- HOURS [SEED] [TARGET]`.
//!
//! Needs the program built beside it (`cargo build --release`), which decodes behind its wall. Prints one line for each
//! target and round; an input that brings a parser down is written to the folder `fuzz-found` here: put it into
//! `tests/data/found/TARGET` of this crate and it is tried in every test run.
#![allow(clippy::print_stdout, reason = "a report for whoever runs it")]

use std::time::{Duration, Instant};

mod targets;

fn main() {
    let mut args = std::env::args().skip(1);
    let hours: f64 = args.next().and_then(|h| h.parse().ok()).unwrap_or(0.05);
    let mut seed: u64 = args.next().and_then(|s| s.parse().ok()).unwrap_or(1);
    let only = args.next();
    let mut program = std::env::current_exe().unwrap_or_default();
    // target/PROFILE/examples/fuzz
    program.pop();
    program.pop();
    program.push("nightloom");
    let began = Instant::now();
    let (mut inputs, mut failures) = (0, 0);
    while began.elapsed().as_secs_f64() < hours * 3600.0 {
        for target in targets::all(&program.display().to_string()) {
            if only.as_ref().is_some_and(|name| name != target.name) {
                continue;
            }
            let told = target.run(seed, Duration::from_secs(20), usize::MAX);
            inputs += told.inputs;
            failures += told.failed.len();
            println!(
                "{:>7.0} s  seed {seed}  {:<12} {:>8} inputs, longest {:>5.0} ms, {} failures",
                began.elapsed().as_secs_f64(),
                target.name,
                told.inputs,
                told.longest.as_secs_f64() * 1e3,
                told.failed.len()
            );
            told.failed.iter().for_each(|f| println!("    {f}"));
        }
        seed += 1;
    }
    println!(
        "{inputs} inputs in {:.2} h, {failures} failures",
        began.elapsed().as_secs_f64() / 3600.0
    );
}
