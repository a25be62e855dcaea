//! One parser under `cargo fuzz`, from the root of the sources:
//!
//! `NIGHTLOOM_PARSER=tiff NIGHTLOOM_PROGRAM=target/release/nightloom cargo +nightly fuzz run parsers`
//!
//! The parsers are those of the example `fuzz`, which needs neither; an input found goes into
//! `crates/nightloom/tests/data/found/PARSER` and is tried in every test run.
#![no_main]

use libfuzzer_sys::fuzz_target;

#[path = "../crates/nightloom/examples/fuzz/targets/mod.rs"]
#[allow(dead_code, reason = "the mutator of the example has no work here")]
mod targets;

thread_local! {
    static PARSER: targets::Target = {
        let asked = std::env::var("NIGHTLOOM_PARSER").unwrap_or_default();
        let program = std::env::var("NIGHTLOOM_PROGRAM").unwrap_or_default();
        let Some((_, make)) = targets::ALL.iter().find(|(name, _)| *name == asked) else {
            let names: Vec<&str> = targets::ALL.iter().map(|(name, _)| *name).collect();
            panic!("NIGHTLOOM_PARSER is {asked:?}, expected one of: {}", names.join(", "));
        };
        make(&program)
    };
}

fuzz_target!(|bytes: &[u8]| {
    let came = PARSER.with(|parser| parser.tried(bytes));
    assert!(came.is_ok(), "{}", came.unwrap_err());
});
