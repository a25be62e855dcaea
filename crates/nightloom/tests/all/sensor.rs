//! `nightloom sensor` and `nightloom focus`, run as a person runs them.

use std::path::Path;
use std::process::{Command, Output};

use nightloom_raster::{Cfa, FrameMeta};
use nightloom_simulate::{DngFrame, write_dng};
use serde_json::Value;

const GAIN_E: f64 = 2.0;
const READ_E: f64 = 6.0;
const SIZE: [usize; 2] = [192, 128];

/// SplitMix64 (Steele, Lea & Flood 2014), a normal after Box & Muller 1958.
fn normal(state: &mut u64) -> f64 {
    let mut uniform = || {
        *state = state.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = *state;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    };
    let r = (-2.0 * (1.0 - uniform()).ln()).sqrt();
    r * (std::f64::consts::TAU * uniform()).cos()
}

/// So many electrons of light with their noise, normal because there are many or none.
fn write(path: &Path, seed: u64, light_e: f64) {
    let mut state = seed;
    let samples: Vec<u16> = (0..SIZE[0] * SIZE[1])
        .map(|_| {
            let noise = (light_e + READ_E * READ_E).sqrt() * normal(&mut state);
            ((light_e + noise) / GAIN_E + 600.0).round() as u16
        })
        .collect();
    let meta = FrameMeta {
        exposure_s: Some(if light_e > 0.0 { 0.02 } else { 0.001 }),
        iso: Some(400.0),
        make: Some("Nightloom".into()),
        model: Some("Test body".into()),
        ..FrameMeta::default()
    };
    let frame = DngFrame {
        width: SIZE[0],
        height: SIZE[1],
        samples: &samples,
        cfa: Cfa::RGGB,
        black: [600; 4],
        white: 15_600,
        as_shot_neutral: [0.5, 1.0, 0.6],
        xyz_to_camera: [[0.7, -0.2, -0.1], [-0.4, 1.2, 0.2], [-0.1, 0.2, 0.6]],
        meta: &meta,
    };
    write_dng(path, &frame).unwrap();
}

fn nightloom(args: &[&Path]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_nightloom"));
    command.arg("sensor").args(args).output().unwrap()
}

#[test]
fn sensor_tells_gain_and_read_noise_and_what_is_missing() {
    let temp = crate::night::Temp::new();
    let folder = temp.night();
    for (name, seed, light) in [
        ("1", 1, 0.0),
        ("2", 2, 0.0),
        ("3", 3, 14_000.0),
        ("4", 4, 14_000.0),
    ] {
        write(&folder.join(format!("{name}.dng")), seed, light);
    }
    let whole = nightloom(&[&folder, Path::new("--json")]);
    let text = String::from_utf8_lossy(&whole.stdout).into_owned();
    assert_eq!(
        whole.status.code(),
        Some(0),
        "{text}{}",
        String::from_utf8_lossy(&whole.stderr)
    );
    let report: Value = serde_json::from_str(&text).unwrap();
    let sensor = &report["sensors"][0];
    let near = |name: &str, truth: f64| {
        let (value, error) = (&sensor[name]["value"], &sensor[name]["error"]);
        let (value, error) = (value.as_f64().unwrap(), error.as_f64().unwrap());
        assert!(
            (value - truth).abs() < 3.0 * error && error < 0.02 * truth,
            "{name}: {value} ± {error}"
        );
    };
    near("gain_e_per_dn", GAIN_E);
    near("read_noise_e", READ_E);
    assert!(
        sensor["missing"][0].as_str().unwrap().contains("dark current"),
        "{sensor}"
    );

    let shown = nightloom(&[&folder]);
    let shown = String::from_utf8_lossy(&shown.stdout).into_owned();
    for part in [
        "Nightloom Test body, ISO 400",
        "gain",
        "read noise",
        "full well",
        "G2",
    ] {
        assert!(shown.contains(part), "{part} in {shown}");
    }

    let flats = nightloom(&[&folder.join("3.dng"), &folder.join("4.dng")]);
    assert_eq!(flats.status.code(), Some(1));
    let said = String::from_utf8_lossy(&flats.stderr).into_owned();
    assert!(said.contains("two biases or darks"), "{said}");

    let nothing = nightloom(&[&folder.join("no.dng")]);
    assert_eq!(nothing.status.code(), Some(2));
}

#[test]
fn focus_tells_the_hyperfocal_distance_and_brackets() {
    let run = |args: &str| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_nightloom"));
        command.arg("focus").args(args.split(' ')).output().unwrap()
    };
    let found = run("--focal 24 --f-number 2.8 --pitch 6 --nearest 2 --json");
    let plan: Value = serde_json::from_slice(&found.stdout).unwrap();
    assert!(
        (plan["hyperfocal_m"].as_f64().unwrap() - 17.17).abs() < 0.005,
        "{plan}"
    );
    let brackets = plan["brackets"].as_array().unwrap();
    assert!(
        brackets.len() > 3 && brackets[0]["far_m"].is_null() && plan["reached"] == true,
        "{plan}"
    );
    let bad = run("--focal 24 --f-number 0 --pitch 6");
    assert_eq!(bad.status.code(), Some(2));
    let said = String::from_utf8_lossy(&bad.stderr).into_owned();
    assert!(
        said.contains("expected an f-number from 0.5 to 128, like f/2.8, found “0”"),
        "{said}"
    );
}
