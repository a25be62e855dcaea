//! `nightloom exposure` and `nightloom trail`, as a person asks them.

use std::process::{Command, Output};

use serde_json::Value;

fn ask(line: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_nightloom"))
        .args(line)
        .output()
        .unwrap()
}

fn answer(line: &[&str]) -> Value {
    let line: Vec<&str> = line.iter().copied().chain(["--json"]).collect();
    let output = ask(&line);
    assert_eq!(
        output.status.code(),
        Some(0),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    serde_json::from_slice(&output.stdout).unwrap()
}

fn text(line: &[&str]) -> String {
    let output = ask(line);
    assert_eq!(output.status.code(), Some(0));
    String::from_utf8(output.stdout).unwrap()
}

/// The sentence with which a question is refused.
fn refused(line: &[&str]) -> String {
    let output = ask(line);
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(2), "{said}");
    assert!(output.stdout.is_empty(), "{said}");
    said
}

fn near(value: &Value, want: f64, within: f64) {
    let got = value
        .as_f64()
        .unwrap_or_else(|| panic!("{value} where {want} is expected"));
    assert!((got - want).abs() <= within, "{got}, not {want}");
}

/// The ladder of the trade: common practice, no source.
#[test]
fn equivalent_settings() {
    let from = ["exposure", "--from", "15s f/2.8 ISO6400"];
    let found = answer(&[&from[..], &["--to", "f/4 ISO800"]].concat());
    near(&found["to"]["time_s"], 240.0, 0.0);
    near(&found["to"]["f_number"], 4.0, 0.0);
    near(&found["to"]["iso"], 800.0, 0.0);
    near(&found["stops"]["time"], 4.0, 1e-9);
    near(&found["stops"]["aperture"], -1.0, 1e-9);
    near(&found["stops"]["iso"], -3.0, 1e-9);
    near(&found["ev100"], -6.936, 0.001);
    assert!(found.get("difference_stops").is_none());

    let found = answer(&[&from[..], &["--to", "240s f/4 ISO800"]].concat());
    near(
        &found["difference_stops"],
        1.0 + (2.8f64 * 2.8 / 16.0).log2(),
        1e-9,
    );

    let limits = ["--ladder", "--lowest-iso", "800", "--narrowest", "4"];
    let found = answer(&[&from[..], &limits[..]].concat());
    let times: Vec<f64> = found["ladder"]["rungs"]
        .as_array()
        .unwrap()
        .iter()
        .map(|r| r["time_s"].as_f64().unwrap())
        .collect();
    assert_eq!(times, [15.0, 30.0, 60.0, 120.0, 240.0]);
    assert_eq!(
        found["ladder"]["ended_by"],
        serde_json::json!(["lowest_iso", "narrowest"])
    );
    let said = text(&[&from[..], &["--to", "f/4 ISO800"]].concat());
    assert!(said.starts_with("240 s (4 min)  f/4  ISO 800\n"), "{said}");
}

/// 1.36 electrons a second at f/2.8, 5.95 µm, 21.5 mag/arcsec² and T·QE 0.4; 29 s for R = 2 (computed).
#[test]
fn sky_limited_exposure() {
    let found = answer(&[
        "exposure",
        "--sky",
        "21.5",
        "--f-number",
        "2.8",
        "--pitch",
        "5.95",
        "--qe",
        "0.5",
        "--transmission",
        "0.8",
        "--read-noise",
        "2",
    ]);
    near(&found["sky_e_per_s"], 1.36, 0.005);
    near(&found["sky_limited_s"], 28.7, 0.1);
}

/// Each of several subjects has trails of its own, and the chart is of the one that trails farthest.
#[test]
fn trails_of_several_subjects() {
    let folder = tempfile::tempdir().expect("a folder");
    let trail = |subjects: &str, more: &[&str]| {
        let of = [
            "trail",
            "--lat",
            "45",
            "--lon",
            "24",
            "--focal",
            "85",
            "--pitch",
            "4.3",
            "--exposure",
            "20",
            "--at",
            "2026-10-10T22:00:00Z",
            "--subject",
            subjects,
        ];
        answer(&[&of[..], more].concat())
    };
    let chart = |name: &str| folder.path().join(name).display().to_string();
    let (near_pole, equator) = (
        trail("Polaris", &[]),
        trail("Mintaka", &["--chart", &chart("one.svg")]),
    );
    let both = trail("Polaris; Mintaka", &["--chart", &chart("both.svg")]);
    assert_eq!(both["subject"], "Polaris");
    assert_eq!(both["centre_px"], near_pole["centre_px"]);
    assert_eq!(both["others"][0]["centre_px"], equator["centre_px"]);
    // 15.041″ a second by cos δ (Mintaka stands 0.3° from the equator), 10.43″ a pixel.
    near(
        &equator["centre_px"],
        20.0 * 15.041 / (206.265 * 4.3 / 85.0),
        0.02,
    );
    let read = |name: &str| std::fs::read_to_string(chart(name)).expect("a chart");
    assert_eq!(read("one.svg"), read("both.svg"));
}

/// The figures of drift: 37.7′ off the pole, 4 min at 85 mm and 4.3 µm: 3.8 px.
#[test]
fn trails() {
    let shot = [
        "trail",
        "--lat",
        "45",
        "--dec",
        "0",
        "--ha",
        "0",
        "--focal",
        "85",
        "--pitch",
        "4.3",
        "--exposure",
        "240",
    ];
    let fixed = answer(&shot);
    near(&fixed["centre_arcsec"], 15.041_067 * 240.0, 0.01);
    assert_eq!(fixed["corners_px"].as_array().unwrap().len(), 4);
    near(&fixed["rules"]["by_500_s"], 500.0 / 85.0, 1e-9);
    let axis = ["--axis-alt", "45", "--axis-az", "0.8886"];
    let tracked = answer(&[&shot[..], &axis[..]].concat());
    near(&tracked["axis_error_arcmin"], 37.7, 0.01);
    near(&tracked["centre_px"], 3.8, 0.02);
    near(&tracked["axis_allowed_arcmin"]["centre"], 9.9, 0.05);
    assert!(tracked["worst_px"].as_f64() >= tracked["centre_px"].as_f64());
    let south = answer(&[
        "trail",
        "--lat",
        "-45",
        "--dec",
        "-30",
        "--ha",
        "-2",
        "--focal",
        "24",
        "--pitch",
        "5.95",
        "--exposure",
        "2min",
        "--sensor",
        "aps-c",
        "--axis-alt",
        "45",
        "--axis-az",
        "180",
        "--map",
    ]);
    near(&south["worst_px"], 0.0, 1e-6);
    assert_eq!(south["map"]["length_px"].as_array().unwrap().len(), 384);
    let said = text(&shot);
    assert!(
        said.contains("Rules of thumb") && said.contains("At most 1 px"),
        "{said}"
    );
}

#[test]
fn slips_are_answered_with_the_field_and_an_example() {
    let exposure = |from: &str, to: &str| refused(&["exposure", "--from", from, "--to", to]);
    for (said, parts) in [
        (exposure("15 f/2.8 ISO6400", "f/4 ISO800"), ["--from", "15s"]),
        (exposure("15s f/0 ISO6400", "f/4 ISO800"), ["f-number", "f/2.8"]),
        (exposure("-15s f/2.8 ISO6400", "f/4 ISO800"), ["time", "15s"]),
        (exposure("15s f/2.8 ISO6400", "f/4 ISO850"), ["--to", "ISO800"]),
        (exposure("15s f/2.8 ISO6400", "f/4"), ["--to", "f/4 ISO800"]),
        (exposure("15s f/2.8", "f/4 ISO800"), ["--from", "ISO6400"]),
        (
            exposure("50h f/2.8 ISO100", "f/4 ISO800"),
            ["longer than any night", "4min"],
        ),
        (refused(&["exposure"]), ["--from", "--sky 21.5"]),
        (refused(&["exposure", "--sky", "21"]), ["--f-number", "2.8"]),
    ] {
        assert!(parts.iter().all(|p| said.contains(p)), "{parts:?}: {said}");
    }
    let trail = |flag: &str, value: &str| {
        let mut line = vec!["trail"];
        let given = [
            ("--lat", "51"),
            ("--dec", "0"),
            ("--ha", "0"),
            ("--focal", "24"),
            ("--pitch", "5.95"),
            ("--exposure", "60"),
        ];
        for (name, usual) in given {
            match (name == flag, value) {
                (true, "") => {}
                (true, value) => line.extend([name, value]),
                _ => line.extend([name, usual]),
            }
        }
        if !given.iter().any(|g| g.0 == flag) {
            line.extend([flag, value]);
        }
        refused(&line)
    };
    for (flag, value, part) in [
        ("--focal", "", "like --focal 24"),
        (
            "--focal",
            "0",
            "expected a focal length from 1 to 5000 mm, like 24, found “0”",
        ),
        ("--pitch", "-1", "pixel pitch"),
        ("--lat", "91", "latitude in degrees must be from -90 to 90"),
        ("--exposure", "0", "exposure in seconds"),
        ("--exposure", "-3", "exposure in seconds"),
        ("--exposure", "60000", "no longer than the night"),
        ("--exposure", "100000", "no longer than the night"),
        ("--exposure", "soon", "--exposure"),
        ("--sensor", "big", "36x24"),
        ("--sensor", "0x24", "sensor's width"),
        ("--axis-alt", "51", "--axis-az"),
        ("--rate", "half", "without an axis the camera is fixed"),
        ("--tolerance", "0", "tolerance in pixels"),
    ] {
        let said = trail(flag, value);
        assert!(said.contains(part), "{flag} {value}: {said}");
    }
}

/// A chart written to a file, read back.
fn drawn(line: &[&str]) -> String {
    let temp = crate::night::Temp::new();
    let file = temp.night().join("chart.svg");
    let name = file.to_str().unwrap();
    let said = text(&[line, &["--chart", name]].concat());
    assert!(said.contains(&format!("Wrote {name}")), "{said}");
    std::fs::read_to_string(&file).unwrap()
}

#[test]
fn charts_of_exposures() {
    let from = ["exposure", "--from", "15s f/2.8 ISO6400"];
    // Up to what is asked for, there and back.
    let svg = drawn(&[&from[..], &["--to", "f/4 ISO800"]].concat());
    assert!(svg.contains(">It ends at 240 s · f/4 · ISO 800: "), "{svg}");
    let svg = drawn(&["exposure", "--from", "240s f/4 ISO800", "--to", "15s f/2.8"]);
    assert!(svg.contains(">It ends at 15 s · f/2.8 · ISO 6400: "), "{svg}");
    // By the limits.
    let svg = drawn(&[&from[..], &["--ladder", "--longest", "60s"]].concat());
    assert!(svg.contains(": longest time 60 s.<"), "{svg}");
    let svg = drawn(&[&SKY[..], &["--red"]].concat());
    assert!(
        svg.contains("Signal-to-noise in 1 h") && !svg.contains("#fff"),
        "{svg}"
    );
    let svg = drawn(&TRACKED);
    assert!(svg.contains("Trails in 120 s, 24 mm, tracked"), "{svg}");
}

const SKY: [&str; 13] = [
    "exposure",
    "--sky",
    "21.5",
    "--f-number",
    "2.8",
    "--pitch",
    "5.95",
    "--qe",
    "0.5",
    "--transmission",
    "0.8",
    "--read-noise",
    "2",
];

const TRACKED: [&str; 17] = [
    "trail",
    "--lat",
    "51.5",
    "--dec",
    "-5",
    "--ha",
    "-1.5",
    "--focal",
    "24",
    "--pitch",
    "5.95",
    "--exposure",
    "120",
    "--axis-alt",
    "51.2",
    "--axis-az",
    "0.4",
];

/// Read noise of 2 e⁻ a frame: variances add, so the ratio of a choice follows from its rates.
#[test]
fn choices_of_equal_time() {
    let found = answer(&[&SKY[..], &["--total", "1h", "--sub", "60s", "--pause", "2s"]].concat());
    let signal = &found["signal"];
    let subject = signal["subject_e_per_s"].as_f64().unwrap();
    let sky = found["sky_e_per_s"].as_f64().unwrap();
    near(&signal["subject_mag"], 24.0, 1e-12);
    assert!((sky / subject - 10.0).abs() < 1e-9);
    let choice = &signal["choices"][2];
    near(&choice["exposure_s"], 60.0, 0.0);
    // 58·60 + 57·2 = 3594 s; a 59th would end at 3656 s.
    near(&choice["frames"], 58.0, 0.0);
    near(&choice["used_s"], 3594.0, 1e-9);
    let want = 58f64.sqrt() * subject * 60.0 / ((subject + sky) * 60.0 + 4.0).sqrt();
    near(&choice["signal_to_noise"], want, 1e-9);
}

/// The numbers are told; the exit status and the sentence are those of what could not be done.
#[test]
fn a_chart_that_cannot_be_written() {
    let output = ask(&[&TRACKED[..], &["--chart", "/no such folder/x.svg"]].concat());
    let said = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(2), "{said}");
    assert!(said.contains("/no such folder/x.svg cannot be written"), "{said}");
}
