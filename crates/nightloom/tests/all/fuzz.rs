//! Every parser against damaged input: seeded mutations of a committed corpus, a second for each target here, hours with
//! `cargo run --release --example fuzz -- HOURS`. What was found stays in `tests/data/found`.

use std::time::Duration;

#[path = "../../examples/fuzz/targets.rs"]
mod targets;

/// For each target; `NIGHTLOOM_FUZZ_S` gives another number of seconds.
fn span() -> Duration {
    let told = std::env::var("NIGHTLOOM_FUZZ_S")
        .ok()
        .and_then(|s| s.parse().ok());
    Duration::from_secs_f64(told.unwrap_or(0.7))
}

#[test]
fn no_parser_panics_or_hangs_on_damaged_input() {
    for target in targets::all(env!("CARGO_BIN_EXE_nightloom")) {
        let told = target.run(20_261_130, span());
        println!(
            "{}: {} inputs, the longest took {:.0} ms",
            target.name,
            told.inputs,
            told.longest.as_secs_f64() * 1e3
        );
        assert!(
            told.failed.is_empty(),
            "{}: {}",
            target.name,
            told.failed.join("\n")
        );
        assert!(told.inputs > 2, "{}: {} inputs", target.name, told.inputs);
    }
}
