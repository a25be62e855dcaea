//! The shot list, asked as a person asks for it. Its figures are held by the outing crate's tests.

use std::process::{Command, Output, Stdio};

use serde_json::Value;

fn shots(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_nightloom"))
        .args([
            "shots",
            "--lat",
            "45.42",
            "--lon",
            "24.10",
            "--elevation",
            "1240",
            "--date",
            "2026-08-12",
        ])
        .args(args)
        .stdin(Stdio::null())
        .output()
        .unwrap()
}

fn json(output: &Output) -> Value {
    serde_json::from_slice(&output.stdout).unwrap()
}

fn said(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

#[test]
fn a_list_in_json() {
    let air = [
        "--temperature",
        "12",
        "--humidity",
        "85",
        "--subject",
        "Milky Way core",
        "--json",
    ];
    let output = shots(
        &[
            &air[..],
            &["--sky-exposure", "2min f/2.8 ISO1600", "--sky-total", "40min"],
        ]
        .concat(),
    );
    assert_eq!(output.status.code(), Some(0), "{}", said(&output));
    let answer = json(&output);
    assert_eq!(answer["fits"], true);
    assert_eq!(answer["short_by_min"], 0.0);
    assert_eq!(answer["totals"]["sky_frames"], 20);
    for key in ["blocks", "drop_first", "short", "warnings", "cautions"] {
        assert!(answer[key].is_array(), "{key}");
    }
    for key in ["card_gb", "batteries", "spare_min"] {
        assert!(answer[key].is_number(), "{key}");
    }
    // Alduchov & Eskridge 1996.
    assert!((answer["dew"]["dew_point_c"].as_f64().unwrap() - 9.56).abs() < 0.01);
    assert!((answer["dew"]["margin_c"].as_f64().unwrap() - 2.44).abs() < 0.01);
    let blocks = answer["blocks"].as_array().unwrap();
    let dark = blocks.iter().find(|b| b["kind"] == "dark").unwrap();
    assert_eq!(
        (dark["exposure_s"].as_f64(), dark["iso"].as_f64()),
        (Some(120.0), Some(1600.0))
    );
    for key in ["from", "to", "note"] {
        assert!(dark[key].is_string(), "{key}");
    }
    assert_eq!(dark["gap_s"], 4.0);
}

#[test]
fn the_light_gives_the_land_s_time() {
    let output = shots(&["--land-exposure", "f/4 ISO100", "--land-light", "dawn", "--json"]);
    assert_eq!(output.status.code(), Some(0), "{}", said(&output));
    let answer = json(&output);
    let land = answer["blocks"]
        .as_array()
        .unwrap()
        .iter()
        .find(|b| b["kind"] == "land")
        .unwrap();
    // 16 · 2^(−1 + 2): a stop below middle grey at EV100 −2.
    assert_eq!(land["exposure_s"], 32.0);
    assert_eq!(land["iso"], 100.0);
}

#[test]
fn no_room_is_a_no_with_the_whole_answer() {
    let output = shots(&["--sky-frames", "400", "--json"]);
    assert_eq!(output.status.code(), Some(1), "{}", said(&output));
    let answer = json(&output);
    assert_eq!(answer["fits"], false);
    let short = answer["short_by_min"].as_f64().unwrap();
    assert!(short > 60.0, "{short}");
    let keep = answer["proposal"][0]["keep"].as_u64().unwrap().to_string();
    assert!(said(&output).contains("it fits without"), "{}", said(&output));
    let again = shots(&["--sky-frames", &keep, "--json"]);
    assert_eq!(again.status.code(), Some(0), "{}", said(&again));
}

#[test]
fn no_night_is_a_no_too() {
    let far_north = [
        "shots",
        "--lat",
        "65",
        "--lon",
        "24",
        "--date",
        "2026-06-20",
        "--json",
    ];
    let output = Command::new(env!("CARGO_BIN_EXE_nightloom"))
        .args(far_north)
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(1), "{}", said(&output));
    assert_eq!(json(&output)["fits"], false);
    assert!(said(&output).contains("-18°"), "{}", said(&output));
}

#[test]
fn the_list_has_the_cautions_beside_it() {
    let output = shots(&[]);
    assert_eq!(output.status.code(), Some(0), "{}", said(&output));
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    for part in [
        "EEST = UTC+03:00",
        "alignment check",
        "drop in this order",
        "Local law",
        "drive tired",
    ] {
        assert!(text.contains(part), "{part} in\n{text}");
    }
}

#[test]
fn slips_are_told_in_a_sentence() {
    for (args, part) in [
        (["--sky-exposure", "15"], "15 has no unit"),
        (["--sky-exposure", "9h"], "longer than the window"),
        (["--sky-exposure", "f/2.8"], "has no time"),
        (["--walk", "f/4"], "not a time alone"),
        (["--gap", "-2s"], "above zero"),
        (["--sky-frames", "0"], "at least 1"),
        (["--land-exposure", "0s"], "above zero"),
    ] {
        let output = shots(&args);
        assert_eq!(output.status.code(), Some(2), "{args:?}: {}", said(&output));
        assert!(said(&output).contains(part), "{args:?}: {}", said(&output));
    }
}
