//! The questions about nights, asked as a person asks them. The figures themselves are held by the sky crate's tests.

use std::process::{Command, Output, Stdio};

use serde_json::Value;

const RETEZAT: &[&str] = &["--lat", "45.42", "--lon", "24.10", "--elevation", "1240"];

fn run(command: &str, args: &[&[&str]]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_nightloom"))
        .arg(command)
        .args(args.concat())
        .stdin(Stdio::null())
        .output()
        .unwrap()
}

fn status(output: &Output) -> i32 {
    output.status.code().unwrap()
}

fn stderr(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

fn json(output: &Output) -> Value {
    serde_json::from_slice(&output.stdout)
        .unwrap_or_else(|e| panic!("{e} in {}", String::from_utf8_lossy(&output.stdout)))
}

#[test]
fn one_night_in_json() {
    let of = [
        "--zone",
        "Europe/Bucharest",
        "--date",
        "2024-11-20",
        "--dut1",
        "0.052",
    ];
    let subjects = ["--subject", "pleiades", "--subject", "83.82,-5.39", "--json"];
    let output = run("night", &[RETEZAT, &of, &subjects]);
    assert_eq!(status(&output), 0, "{}", stderr(&output));
    let answer = json(&output);
    // Skyfield with DE440 (crates/sky/tests/reference/nights.csv), to the tenth.
    let shown = answer["sun"]["sunset"].as_str().unwrap();
    let sunset: nightloom_sky::Instant = shown.parse().unwrap();
    let noon: nightloom_sky::Instant = "2024-11-20T10:00:00Z".parse().unwrap();
    assert!((sunset.seconds_since(noon) - 17_315.574).abs() < 0.1, "{shown}");
    assert_eq!(shown.len(), "2024-11-20T14:48:35.6Z".len());
    for key in [
        "civil_dusk",
        "nautical_dusk",
        "astronomical_dusk",
        "astronomical_dawn",
        "nautical_dawn",
        "civil_dawn",
        "sunrise",
    ] {
        assert!(answer["sun"][key].is_string(), "{key}");
    }
    for key in ["rises", "sets"] {
        assert!(answer["moon"][key].is_array(), "{key}");
    }
    assert!((0.0..=1.0).contains(&answer["moon"]["illuminated_fraction"].as_f64().unwrap()));
    assert!(answer["moon"]["altitude_deg"].is_number());
    let dark = &answer["dark"][0];
    assert!(dark["from"].is_string() && dark["to"].is_string() && dark["minutes"].is_number());
    let subject = &answer["subjects"][0];
    assert_eq!(subject["name"], "Pleiades");
    assert!(subject["culmination"]["at"].is_string() && subject["culmination"]["altitude_deg"].is_number());
    assert!(subject["windows"].is_array());
    assert_eq!(answer["subjects"].as_array().unwrap().len(), 2);
}

#[test]
fn the_zone_is_found_and_said() {
    let output = run("night", &[RETEZAT, &["--date", "2026-09-12"]]);
    assert_eq!(status(&output), 0, "{}", stderr(&output));
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(
        text.contains("Europe/Bucharest, found from the coordinates"),
        "{text}"
    );
    assert!(text.contains("EEST = UTC+03:00"), "{text}");
}

#[test]
fn a_white_night_is_a_no_with_an_answer() {
    let place = ["--lat", "69.65", "--lon", "18.96", "--zone", "Europe/Oslo"];
    let output = run("night", &[&place, &["--date", "2025-06-20", "--json"]]);
    assert_eq!(status(&output), 1);
    let answer = json(&output);
    assert_eq!(answer["sun"]["sunset"], Value::Null);
    assert_eq!(answer["dark"], serde_json::json!([]));
    assert!(stderr(&output).contains("no dark window"), "{}", stderr(&output));
}

#[test]
fn a_year_in_json() {
    let output = run(
        "year",
        &[
            RETEZAT,
            &["--zone", "Europe/Bucharest", "--year", "2024", "--json"],
        ],
    );
    assert_eq!(status(&output), 0, "{}", stderr(&output));
    let answer = json(&output);
    let nights = answer["nights"].as_array().unwrap();
    assert_eq!(nights.len(), 366);
    assert_eq!(nights[0]["evening"], "2024-01-01");
    for night in nights {
        let (dark, moonless) = (&night["dark_minutes"], &night["moonless_dark_minutes"]);
        assert!(moonless.as_f64().unwrap() <= dark.as_f64().unwrap());
    }
}

#[test]
fn when_is_sorted_by_worth() {
    let span = [
        "--from",
        "2026-01-01",
        "--to",
        "2026-12-31",
        "--subject",
        "milky way core",
    ];
    let place = ["--azimuth", "170,200", "--altitude", "5,30"];
    let output = run("when", &[RETEZAT, &span, &place, &["--json"]]);
    assert_eq!(status(&output), 0, "{}", stderr(&output));
    let answer = json(&output);
    let worth: Vec<f64> = answer["chances"]
        .as_array()
        .unwrap()
        .iter()
        .map(|c| c["worth_minutes"].as_f64().unwrap())
        .collect();
    assert!(
        worth.len() > 10 && worth.windows(2).all(|p| p[0] >= p[1]),
        "{worth:?}"
    );
    let north = run("when", &[RETEZAT, &span, &["--azimuth", "350,10", "--json"]]);
    assert_eq!(status(&north), 1);
    assert_eq!(json(&north)["chances"], serde_json::json!([]));
}

/// Each of several subjects gets the answer that it gets alone.
#[test]
fn several_subjects_are_each_answered() {
    let year = |subjects: &[&str]| {
        let output = run("year", &[RETEZAT, &["--year", "2027", "--json"], subjects]);
        assert_eq!(status(&output), 0, "{}", stderr(&output));
        json(&output)
    };
    let (one, other) = (year(&["--subject", "M 31"]), year(&["--subject", "M 42"]));
    for both in [
        year(&["--subject", "M 31", "--subject", "M 42"]),
        year(&["--subject", "M 31; M 42"]),
    ] {
        assert_eq!(both["subject"], one["subject"]);
        assert_eq!(both["nights"], one["nights"]);
        assert_eq!(both["others"][0]["subject"], other["subject"]);
        assert_eq!(both["others"][0]["nights"], other["nights"]);
    }
    assert!(one.get("others").is_none());
    // Crux never stands over this horizon, and Orion does.
    let span = ["--from", "2026-12-01", "--to", "2026-12-10", "--json"];
    let when = |subjects: &[&str]| run("when", &[RETEZAT, &span, subjects]);
    let both = when(&["--subject", "Crux; Orion Nebula"]);
    assert_eq!(status(&both), 0, "{}", stderr(&both));
    let both = json(&both);
    assert!(
        both["why"].is_string() && both["chances"] == serde_json::json!([]),
        "{both}"
    );
    assert_eq!(
        both["others"][0]["chances"],
        json(&when(&["--subject", "Orion Nebula"]))["chances"]
    );
    assert_eq!(status(&when(&["--subject", "Crux; Carina Nebula"])), 1);
}

#[test]
fn wrong_questions_are_told_in_a_sentence() {
    let date: &[&str] = &["--date", "2026-09-12"];
    let cases: &[(&[&str], &[&str])] = &[
        (
            &["--lat", "151.2", "--lon", "-33.9"],
            &["latitude", "latitude -33.9 and longitude 151.2"],
        ),
        (
            &["--lat", "45", "--lon", "24", "--zone", "Europe/Bukarest"],
            &["Europe/Bucharest"],
        ),
        (
            &["--lat", "45", "--lon", "24", "--subject", "Orion Nebla"],
            &["Orion Nebula"],
        ),
        (
            &["--lat", "45", "--lon", "24", "--date", "2099-01-01"],
            &["1990 to 2060"],
        ),
        (&[], &["--lat and --lon"]),
        (&["--lat", "45"], &["--lon"]),
        (&["no-such-folder"], &["no-such-folder"]),
        (&["--lat", "45", "--lon", "24", "--dut1", "9"], &["UT1"]),
    ];
    for (args, words) in cases {
        let when = if args.contains(&"--date") { &[] } else { date };
        let output = run("night", &[args, when]);
        assert_eq!(status(&output), 2, "{args:?}");
        assert!(output.stdout.is_empty(), "{args:?}");
        for word in *words {
            assert!(stderr(&output).contains(word), "{args:?}: {}", stderr(&output));
        }
    }
    let backwards = ["--subject", "M 31", "--from", "2026-02-01", "--to", "2026-01-01"];
    assert_eq!(status(&run("when", &[RETEZAT, &backwards])), 2);
}
