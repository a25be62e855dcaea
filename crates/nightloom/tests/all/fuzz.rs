//! Every parser against damaged input: seeded mutations of a committed corpus, the same few on every machine here, hours with
//! `cargo run --release --example fuzz -- HOURS`. What was found stays in `tests/data/found`.

use std::time::Duration;

#[path = "../../examples/fuzz/targets/mod.rs"]
mod targets;

/// Mutations of each target, and the time they have; `NIGHTLOOM_FUZZ_S` gives another number of seconds, for as many as fit.
fn bounds() -> (Duration, usize) {
    let told = std::env::var("NIGHTLOOM_FUZZ_S")
        .ok()
        .and_then(|s| s.parse().ok());
    told.map_or((Duration::from_secs(2), 120), |s| {
        (Duration::from_secs_f64(s), usize::MAX)
    })
}

#[test]
fn no_parser_panics_or_hangs_on_damaged_input() {
    let (span, most) = bounds();
    for (_, make) in targets::ALL {
        let target = make(env!("CARGO_BIN_EXE_nightloom"));
        let told = target.run(20_261_130, span, most);
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
