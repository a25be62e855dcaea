//! A whole plan for a trip, with sites and rigs kept by name, as a photographer makes it.

use std::fs;
use std::path::Path;
use std::process::{Command, Output, Stdio};

use serde_json::Value;
use tempfile::TempDir;

struct Desk(TempDir);

impl Desk {
    fn new() -> Self {
        Self(tempfile::tempdir().unwrap())
    }

    fn run(&self, args: &[&str]) -> Output {
        Command::new(env!("CARGO_BIN_EXE_nightloom"))
            .args(args)
            .current_dir(self.0.path())
            .env("NIGHTLOOM_CONFIG", self.0.path().join("config"))
            .stdin(Stdio::null())
            .output()
            .unwrap()
    }

    fn done(&self, args: &[&str]) -> String {
        let output = self.run(args);
        assert_eq!(output.status.code(), Some(0), "{args:?}: {}", stderr(&output));
        String::from_utf8(output.stdout).unwrap()
    }

    fn json(&self, args: &[&str]) -> Value {
        serde_json::from_str(&self.done(&[args, &["--json"]].concat())).unwrap()
    }

    fn path(&self) -> &Path {
        self.0.path()
    }
}

fn stderr(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

fn near(found: &Value, expected: f64) {
    let found = found.as_f64().unwrap_or_else(|| panic!("{found} is no number"));
    assert!((found - expected).abs() < 1e-4, "{found}, expected {expected}");
}

/// Site, rig, night, outing, shot list and sheet: six commands, and the coordinates once.
#[test]
fn a_trip_in_six_commands() {
    let desk = Desk::new();
    desk.done(&[
        "site",
        "Delicate Arch",
        "--lat",
        "38°44.6'N 109°30'W",
        "--elevation",
        "4800 ft",
    ]);
    desk.done(&[
        "rig",
        "small",
        "--focal",
        "24mm",
        "--pitch",
        "5.95 µm",
        "--sensor",
        "36x24",
        "--gear-error",
        "25",
        "--gear-period",
        "8min",
    ]);
    let chances = desk.json(&[
        "when",
        "--site",
        "delicate arch",
        "--subject",
        "Milky Way core",
        "--from",
        "2027-05-01",
        "--to",
        "2027-05-31",
    ]);
    let best = chances["chances"][0]["evening"].as_str().unwrap().to_owned();
    assert!(chances["chances"][0]["best_at"].is_string());
    desk.done(&[
        "new",
        "trip",
        "--site",
        "Delicate Arch",
        "--rig",
        "small",
        "--date",
        &best,
        "--subject",
        "Milky Way core",
    ]);
    let shots = desk.json(&["shots", "trip", "--sky-exposure", "90s", "--sky-frames", "12"]);
    assert_eq!(shots["fits"], true, "{shots}");
    let sheet = desk.json(&["sheet", "trip"]);
    assert!(desk.path().join("trip/field-sheet.html").is_file());
    near(&sheet["site"]["latitude_deg"], 38.743_333);
    near(&sheet["site"]["elevation_m"], 1463.0);

    // By value: without the shelf the outing says all the same.
    fs::remove_dir_all(desk.path().join("config")).unwrap();
    let night = desk.json(&["night", "trip", "--view", "view.svg"]);
    near(&night["site"]["longitude_deg"], -109.5);
    let pointing = &night["subjects"][0]["pointing"][0];
    for moment in ["start", "best", "end"] {
        let aim = &pointing[moment];
        assert!(
            aim["azimuth_deg"].is_f64() && aim["compass_deg"].is_f64() && aim["moon_altitude_deg"].is_f64(),
            "{aim}"
        );
        assert!(aim["milky_way_lean_deg"].is_f64(), "{aim}");
    }
    // Declination at Moab in 2027 is 10° east by the World Magnetic Model, within a degree.
    let start = &pointing["start"];
    let field = start["azimuth_deg"].as_f64().unwrap() - start["compass_deg"].as_f64().unwrap();
    assert!((field - 10.0).abs() < 1.0, "{field}");

    // Each takes place, time and lens from the folder.
    let pole = desk.json(&["pole", "trip"]);
    assert_eq!(
        pole["at"].as_str().unwrap()[..10],
        day_after_if_utc(&best),
        "{pole}"
    );
    assert!(pole["plan"]["cost"].is_object(), "{pole}");
    let found = desk.json(&["where", "antares", "trip", "--at", "11:30pm"]);
    assert!(found["altitude_deg"].as_f64().unwrap() > 0.0, "{found}");
    let trail = desk.json(&["trail", "trip", "--at", "11:30pm", "--exposure", "20"]);
    assert!(trail["centre_px"].as_f64().unwrap() > 0.0);
}

/// In UTC the dusk of Utah is on the next day.
fn day_after_if_utc(evening: &str) -> String {
    let date: jiff::civil::Date = evening.parse().unwrap();
    date.tomorrow().unwrap().to_string()
}

#[test]
fn what_is_kept_is_listed_and_refused_in_sentences() {
    let desk = Desk::new();
    assert!(desk.done(&["site"]).contains("None is kept yet"));
    let unknown = desk.run(&["night", "--site", "nowhere", "--date", "2027-01-09"]);
    assert_eq!(unknown.status.code(), Some(2));
    assert!(
        stderr(&unknown).contains("nightloom site NAME"),
        "{}",
        stderr(&unknown)
    );
    desk.done(&[
        "site",
        "Home",
        "--lat",
        "46.5",
        "--lon",
        "8",
        "--zone",
        "europe/zurich",
    ]);
    let listed = desk.json(&["site"]);
    assert_eq!(listed["sites"][0]["zone"], "Europe/Zurich");
    let near = desk.run(&["night", "--site", "hom", "--date", "2027-01-09"]);
    assert!(
        stderr(&near).contains("did you mean “Home”?"),
        "{}",
        stderr(&near)
    );
    for (args, word) in [
        (&["site", "home", "--lat", "1", "--lon", "2"][..], "--replace"),
        (&["site", "../x", "--lat", "1", "--lon", "2"], "no name to keep"),
        (&["site", "x", "--lat", "38 29"], "38, 29"),
        (&["rig", "r", "--pitch", "0.00595"], "write 5.95"),
        (&["rig", "r", "--sensor", "huge"], "no sensor"),
    ] {
        let refused = desk.run(args);
        assert_eq!(refused.status.code(), Some(2), "{args:?}");
        assert!(stderr(&refused).contains(word), "{args:?}: {}", stderr(&refused));
    }
    assert!(!desk.path().join("x.toml").exists());
}

/// A second `new` adds what it finds and shows where it differs; nothing that a person wrote is dropped, with --force
/// neither.
#[test]
fn new_again_merges() {
    let desk = Desk::new();
    let toml = desk.path().join("trip/outing.toml");
    desk.done(&[
        "new",
        "trip",
        "--lat",
        "38.48",
        "--lon",
        "-109.5",
        "--date",
        "2027-01-09",
    ]);
    let mut text = fs::read_to_string(&toml).unwrap();
    text = text.replace("[picture]\n", "[picture]\nstretch = 0.9 # mine\n");
    text.push_str("\"a.dng\" = { role = \"land\" }\n");
    fs::write(&toml, &text).unwrap();
    let again = desk.json(&[
        "new",
        "trip",
        "--lat",
        "40",
        "--lon",
        "-109.5",
        "--subject",
        "lyra",
    ]);
    assert_eq!(again["filled"], serde_json::json!(["outing.subject"]));
    assert_eq!(again["differences"][0]["key"], "site.latitude_deg");
    let merged = fs::read_to_string(&toml).unwrap();
    for kept in [
        "latitude_deg = 38.48",
        "stretch = 0.9 # mine",
        "subject = \"lyra\"",
        "\"a.dng\" = { role",
    ] {
        assert!(merged.contains(kept), "{kept} is missing in\n{merged}");
    }
    let forced = desk.json(&["new", "trip", "--name", "Arches", "--force"]);
    assert!(forced["old"].is_string());
    let anew = fs::read_to_string(&toml).unwrap();
    for kept in [
        "latitude_deg = 38.48",
        "stretch = 0.9  # mine",
        "subject = \"lyra\"",
        "name = \"Arches\"",
        "\"a.dng\" = { role = \"land\" }",
        "evening = 2027-01-09",
    ] {
        assert!(anew.contains(kept), "{kept} is missing in\n{anew}");
    }
}

#[test]
fn a_moment_is_read_by_the_sites_clock() {
    let desk = Desk::new();
    let at = |text: &str| {
        desk.json(&[
            "where", "sun", "--lat", "38°29'N", "--lon", "109 30 W", "--at", text,
        ])["at"]
            .as_str()
            .unwrap()
            .to_owned()
    };
    // MST is UTC-7 (tz database).
    assert_eq!(at("2027-01-09 21:30"), "2027-01-10T04:30:00Z");
    assert_eq!(at("2027-01-09 9:30pm"), "2027-01-10T04:30:00Z");
    assert_eq!(at("2027-01-10T04:30:00Z"), "2027-01-10T04:30:00Z");
    let refused = desk.run(&["where", "sun", "--lat", "38.5°29'N", "--lon", "8"]);
    assert!(stderr(&refused).contains("38°30'N"), "{}", stderr(&refused));
}

/// Charts stand alone: no style sheet, no variables, every shape with its own paint.
#[test]
fn charts_are_plain_svg() {
    let desk = Desk::new();
    let place = ["--lat", "45.42", "--lon", "24.1", "--date", "2027-01-09"];
    desk.done(
        &[
            &[
                "night",
                "--subject",
                "capella",
                "--strip",
                "strip.svg",
                "--view",
                "view.svg",
                "--focal",
                "24",
            ],
            &place[..],
        ]
        .concat(),
    );
    desk.done(&[
        "year", "--lat", "45.42", "--lon", "24.1", "--year", "2027", "--chart", "year.svg", "--red",
    ]);
    desk.done(&[
        "trail",
        "--lat",
        "45",
        "--dec",
        "-5",
        "--ha",
        "0",
        "--focal",
        "24",
        "--pitch",
        "5.95",
        "--exposure",
        "20",
        "--chart",
        "trail.svg",
    ]);
    for name in ["strip.svg", "view.svg", "year.svg", "trail.svg"] {
        let svg = fs::read_to_string(desk.path().join(name)).unwrap();
        assert!(!svg.contains("var(") && !svg.contains("<style"), "{name}");
        for text in svg.split("<text ").skip(1) {
            let tag = text.split('>').next().unwrap();
            assert!(tag.contains("fill=\"#"), "{name}: {tag}");
        }
    }
}

/// RFC 5545: § 3.1 lines of at most 75 octets that end in CR LF, § 3.6.1 what an event must have.
#[test]
fn a_plan_as_calendar() {
    let desk = Desk::new();
    desk.done(&[
        "new",
        "trip",
        "--lat",
        "45.42",
        "--lon",
        "24.1",
        "--date",
        "2027-01-09",
        "--name",
        "Ridge; north, high",
    ]);
    desk.done(&["sheet", "trip", "--ical", "plan.ics"]);
    let text = fs::read_to_string(desk.path().join("plan.ics")).unwrap();
    assert!(
        text.starts_with("BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:") && text.ends_with("END:VCALENDAR\r\n")
    );
    assert!(
        text.split("\r\n")
            .all(|line| line.len() <= 75 && !line.contains('\n'))
    );
    let unfolded = text.replace("\r\n ", "");
    assert!(
        unfolded.contains("SUMMARY:Ridge\\; north\\, high\r\n"),
        "{unfolded}"
    );
    let count = |what: &str| unfolded.matches(what).count();
    assert!(count("BEGIN:VEVENT") > 3);
    for field in ["UID:", "DTSTAMP:", "DTSTART:2027", "DTEND:2027", "SUMMARY:"] {
        assert_eq!(count(&format!("\r\n{field}")), count("BEGIN:VEVENT"), "{field}");
    }
}

#[test]
fn completions_and_manual_pages() {
    let desk = Desk::new();
    let script = desk.done(&["completions", "bash"]);
    assert!(script.contains("--elevation") && script.contains("tonight"));
    desk.done(&["manual", "man1"]);
    let page = fs::read_to_string(desk.path().join("man1/nightloom-night.1")).unwrap();
    assert!(
        page.contains(".TH") && page.contains("latitude") || page.contains("Latitude"),
        "{page}"
    );
}

/// Ranked, each with its reason; an August night of the Perseids has them, the Milky Way, and no moonlit land at new moon.
#[test]
fn what_a_night_is_good_for() {
    let desk = Desk::new();
    let found = desk.json(&[
        "tonight",
        "--lat",
        "44",
        "--lon",
        "6",
        "--date",
        "2026-08-12",
        "--focal",
        "24",
    ]);
    let all = found["worthwhile"].as_array().unwrap();
    let names: Vec<&str> = all.iter().map(|w| w["what"].as_str().unwrap()).collect();
    assert!(
        names.contains(&"Perseids") && names.contains(&"Milky Way core"),
        "{names:?}"
    );
    assert!(!names.contains(&"Land in moonlight"), "{names:?}");
    let scores: Vec<f64> = all.iter().map(|w| w["score"].as_f64().unwrap()).collect();
    assert!(scores.is_sorted_by(|a, b| a >= b), "{scores:?}");
    assert!(
        all.iter()
            .all(|w| w["reason"].as_str().unwrap().len() > 10 && w["best"]["azimuth_deg"].is_f64())
    );
    // IMO's 2026 calendar: full moon on 28 August; new moon on the 12th.
    let moonlit = desk.json(&["tonight", "--lat", "44", "--lon", "6", "--date", "2026-08-26"]);
    assert!(
        moonlit["worthwhile"]
            .as_array()
            .unwrap()
            .iter()
            .any(|w| w["what"] == "Land in moonlight")
    );
}
