//! The parsers against damaged input for hours: `cargo run --release --example fuzz -- HOURS [THREADS] [SEED] [TARGET]`.
//!
//! Needs the program built beside it (`cargo build --release`), which decodes behind its wall. Started at the root of the
//! sources it takes its corpus from there, so that the two programs can be carried to another machine. Prints one line for
//! each target and round; an input that brings a parser down is written to the folder `fuzz-found` here: put it into
//! `tests/data/found/TARGET` of this crate and it is tried in every test run.
#![allow(clippy::print_stdout, reason = "a report for whoever runs it")]

use std::path::PathBuf;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

mod targets;

/// What a thread tries in one go.
const ROUND: Duration = Duration::from_secs(20);

struct Run {
    program: String,
    only: Option<String>,
    began: Instant,
    span: Duration,
    /// The next target and seed, counted through.
    next: AtomicUsize,
    inputs: AtomicUsize,
    failures: AtomicUsize,
}

impl Run {
    /// Target after target until the time is over.
    fn work(&self, seed: u64) {
        while self.began.elapsed() < self.span {
            let number = self.next.fetch_add(1, Ordering::Relaxed);
            let (round, which) = (number / targets::ALL.len(), number % targets::ALL.len());
            let (name, make) = targets::ALL[which];
            if self.only.as_ref().is_some_and(|only| only != name) {
                continue;
            }
            let target = make(&self.program);
            let seed = seed + round as u64;
            let told = target.run(
                seed,
                ROUND.min(self.span.saturating_sub(self.began.elapsed())),
                usize::MAX,
            );
            self.inputs.fetch_add(told.inputs, Ordering::Relaxed);
            self.failures.fetch_add(told.failed.len(), Ordering::Relaxed);
            let mut line = format!(
                "{:>7.0} s  seed {seed}  {:<12} {:>8} inputs, longest {:>5.0} ms, {} failures",
                self.began.elapsed().as_secs_f64(),
                target.name,
                told.inputs,
                told.longest.as_secs_f64() * 1e3,
                told.failed.len()
            );
            told.failed.iter().for_each(|f| line += &format!("\n    {f}"));
            println!("{line}");
        }
    }
}

fn main() {
    let mut args = std::env::args().skip(1);
    let hours: f64 = args.next().and_then(|h| h.parse().ok()).unwrap_or(0.05);
    let threads: usize = args.next().and_then(|t| t.parse().ok()).unwrap_or(1);
    let seed: u64 = args.next().and_then(|s| s.parse().ok()).unwrap_or(1);
    let only = args.next();
    let known = |only: &String| targets::ALL.iter().any(|(name, _)| name == only);
    if only.as_ref().is_some_and(|only| !known(only)) {
        let names: Vec<&str> = targets::ALL.iter().map(|(name, _)| *name).collect();
        println!("expected one of: {}", names.join(", "));
        return;
    }
    let mut program: PathBuf = std::env::current_exe().unwrap_or_default();
    // target/PROFILE/examples/fuzz
    program.pop();
    program.pop();
    program.push("nightloom");
    let run = Run {
        program: program.display().to_string(),
        only,
        began: Instant::now(),
        span: Duration::from_secs_f64(hours * 3600.0),
        next: AtomicUsize::new(0),
        inputs: AtomicUsize::new(0),
        failures: AtomicUsize::new(0),
    };
    std::thread::scope(|scope| {
        for _ in 0..threads.max(1) {
            scope.spawn(|| run.work(seed));
        }
    });
    println!(
        "{} inputs in {:.2} h on {threads} threads, {} failures",
        run.inputs.into_inner(),
        run.began.elapsed().as_secs_f64() / 3600.0,
        run.failures.into_inner()
    );
}
