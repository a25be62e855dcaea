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

/// Its own lens, 24 mm upright over 36 × 24 mm: 53.1° × 73.7°.
fn trip_with_lens(desk: &Desk) {
    desk.done(&[
        "rig", "small", "--focal", "24", "--pitch", "5.95", "--sensor", "36x24",
    ]);
    desk.done(&[
        "new",
        "trip",
        "--lat",
        "38.74",
        "--lon",
        "-109.5",
        "--elevation",
        "1463",
        "--rig",
        "small",
        "--date",
        "2027-07-05",
        "--subject",
        "Milky Way core; Antares",
    ]);
}

/// Two subjects of one outing are drawn, held, and served by one shot list; far ones are taken one after the other.
#[test]
fn several_subjects() {
    let desk = Desk::new();
    trip_with_lens(&desk);
    let night = desk.json(&["night", "trip", "--strip", "strip.svg", "--view", "view.svg"]);
    assert_eq!(night["subjects"].as_array().unwrap().len(), 2);
    assert_eq!(night["view"]["holds"], true, "{}", night["view"]);
    for name in ["strip.svg", "view.svg"] {
        let svg = fs::read_to_string(desk.path().join(name)).unwrap();
        assert!(
            svg.contains(">Antares<") && svg.contains("Milky Way core"),
            "{name}"
        );
    }
    let together = desk.json(&["shots", "trip", "--sky-frames", "8"]);
    assert!(
        together["window_is"]
            .as_str()
            .unwrap()
            .contains("Milky Way core and Antares"),
        "{together}"
    );
    // Spica sets when Fomalhaut, 142° from it, is not up yet.
    let apart = desk.json(&[
        "shots",
        "trip",
        "--subject",
        "spica",
        "--subject",
        "fomalhaut",
        "--sky-frames",
        "8",
    ]);
    let blocks = apart["blocks"].as_array().unwrap();
    let of = |name: &str| {
        let own = blocks
            .iter()
            .filter(|b| b["kind"] == "sky" && b["note"].as_str().unwrap().starts_with(name));
        own.map(|b| b["count"].as_u64().unwrap()).sum::<u64>()
    };
    assert_eq!((of("Spica"), of("Fomalhaut")), (8, 8), "{apart}");
    assert_eq!(apart["totals"]["sky_frames"], 16);
    assert!(
        blocks
            .iter()
            .any(|b| b["kind"] == "turn" && b["note"].as_str().unwrap().contains("to Fomalhaut"))
    );
}

/// Frames, order and times of a panorama, and its list on the sheet.
#[test]
fn a_panorama_on_the_sheet() {
    let desk = Desk::new();
    trip_with_lens(&desk);
    let wanted = [
        "--panorama",
        "3x2",
        "--overlap",
        "25",
        "--sky-exposure",
        "20s",
        "--sky-frames",
        "2",
    ];
    let shots = desk.json(&[&["shots", "trip"], &wanted[..]].concat());
    let panorama = &shots["panorama"];
    let frames = panorama["frames"].as_array().unwrap();
    assert_eq!(
        (frames.len(), &panorama["overlap_percent"]),
        (6, &serde_json::json!(25.0))
    );
    assert_eq!(shots["totals"]["sky_frames"], 12);
    let turns = shots["blocks"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|b| b["kind"] == "turn" && b["note"].as_str().unwrap().contains("pan"));
    assert_eq!(turns.count(), 5, "{shots}");
    // Facing south in the north the sky goes to the right, and so does the head.
    assert!(frames[2]["pan_deg"].as_f64().unwrap() > 0.0 && frames[2]["pan_deg"].as_f64().unwrap() < 180.0);
    let sheet = desk.json(&[&["sheet", "trip", "--out", "sheet.html"], &wanted[..]].concat());
    assert_eq!(sheet["sheet"]["panorama"].as_array().unwrap().len(), 6);
    let page = fs::read_to_string(desk.path().join("sheet.html")).unwrap();
    assert_eq!(page.matches("data-tick=\"m").count(), 6);
    for words in [
        "Panorama",
        "25 % in common",
        "Dew point not known",
        "Camera batteries",
        "Card:",
    ] {
        assert!(page.contains(words), "{words}");
    }
    let auto = desk.json(&[
        "shots",
        "trip",
        "--panorama",
        "auto",
        "--portrait",
        "--focal",
        "135",
    ]);
    let [columns, rows] = ["columns", "rows"].map(|k| auto["panorama"][k].as_u64().unwrap());
    assert!(columns * rows >= 2, "{}", auto["panorama"]);
    let refused = desk.run(&[
        "shots",
        "--lat",
        "38",
        "--lon",
        "8",
        "--date",
        "2027-07-05",
        "--panorama",
        "3x1",
    ]);
    assert!(stderr(&refused).contains("--focal 24"), "{}", stderr(&refused));
}

/// What cannot be held is said with by how much, on the chart too.
#[test]
fn an_aim_that_cannot_hold_both_says_so() {
    let desk = Desk::new();
    let asked = [
        "night",
        "--lat",
        "46",
        "--lon",
        "8",
        "--date",
        "2027-07-05",
        "--subject",
        "vega",
        "--focal",
        "35",
        "--view",
        "view.svg",
    ];
    let night = desk.json(&asked);
    let view = &night["view"];
    assert_eq!(view["holds"], false, "{view}");
    assert!(view["ridge_outside_deg"].as_f64().unwrap() > 10.0, "{view}");
    let words = view["words"].as_str().unwrap();
    assert!(
        words.contains("the ridge") && words.contains("mm or shorter"),
        "{words}"
    );
    let svg = fs::read_to_string(desk.path().join("view.svg")).unwrap();
    assert!(svg.contains("cannot hold Vega and the ridge"), "{svg:.300}");
    let told = desk.done(&asked);
    assert!(told.contains("Aim of the picture at"), "{told}");
}

#[test]
fn two_nights_side_by_side() {
    let desk = Desk::new();
    let asked = [
        "night",
        "--lat",
        "46",
        "--lon",
        "8",
        "--date",
        "2027-07-05",
        "--beside",
        "2027-07-25",
        "--subject",
        "Milky Way core",
        "--strip",
        "both.svg",
    ];
    let told = desk.done(&asked);
    let row = told
        .lines()
        .find(|l| l.starts_with("dark, without moon"))
        .unwrap();
    assert_eq!(row.matches(" h ").count(), 2, "{row}");
    let svg = fs::read_to_string(desk.path().join("both.svg")).unwrap();
    assert!(
        svg.contains("viewBox=\"0 0 2000 ") && svg.contains("5 July 2027") && svg.contains("25 July 2027")
    );
    let both = desk.json(&asked);
    assert_eq!(both["beside"]["window"]["evening"], "2027-07-25");
}

/// By preference a figure alone is in feet or °F, and so is what is told; JSON keeps metres and °C.
#[test]
fn preferences_are_kept() {
    let desk = Desk::new();
    let place = ["--lat", "46", "--lon", "8", "--elevation", "5900"];
    let night = [&["night"], &place[..], &["--date", "2027-07-05"]].concat();
    near(&desk.json(&night)["site"]["elevation_m"], 5900.0);
    let set = desk.json(&["preferences", "--height", "ft", "--temperature", "F"]);
    assert_eq!(
        (&set["feet"], &set["fahrenheit"]),
        (&Value::Bool(true), &Value::Bool(true))
    );
    // NIST SP 811 (2008), B.8: 1 ft = 0.3048 m, t/°C = (t/°F − 32)/1.8.
    near(&desk.json(&night)["site"]["elevation_m"], 1798.32);
    assert!(desk.done(&night).contains("5900 ft"));
    let weather = [
        "--date",
        "2027-07-05",
        "--temperature",
        "50",
        "--humidity",
        "80%",
        "--sky-frames",
        "4",
    ];
    let shots = [&["shots"], &place[..], &weather[..]].concat();
    let told = desk.done(&shots);
    assert!(
        told.contains("dew point   44.1 °F, 5.9 °F below the air"),
        "{told}"
    );
    near(&desk.json(&shots)["dew"]["dew_point_c"], 6.707934);
    let metres = [
        &["night"],
        &["--lat", "46", "--lon", "8", "--elevation", "1800 m"][..],
        &["--date", "2027-07-05"],
    ]
    .concat();
    near(&desk.json(&metres)["site"]["elevation_m"], 1800.0);
    fs::write(
        desk.path().join("config/preferences.toml"),
        "height = \"yards\"\n",
    )
    .unwrap();
    let broken = desk.run(&night);
    assert!(
        stderr(&broken).contains("nightloom preferences --height ft"),
        "{}",
        stderr(&broken)
    );
    desk.done(&["preferences", "--height", "m", "--temperature", "C"]);
    near(&desk.json(&night)["site"]["elevation_m"], 5900.0);
}

/// What is asked for is not changed: the light's own number of land frames is said beside it.
#[test]
fn a_number_that_is_asked_for_stays() {
    let desk = Desk::new();
    trip_with_lens(&desk);
    let by_light = [
        "shots",
        "trip",
        "--land-exposure",
        "f/4 ISO800",
        "--land-light",
        "night",
    ];
    let free = desk.json(&by_light);
    let asks_for = free["totals"]["land_frames"].as_u64().unwrap();
    assert!(asks_for > 4, "{free}");
    let asked = desk.json(&[&by_light[..], &["--land-frames", "4"]].concat());
    assert_eq!(asked["totals"]["land_frames"], 4);
    let warning = asked["warnings"]
        .as_array()
        .unwrap()
        .iter()
        .find(|w| w.as_str().unwrap().contains("as asked"));
    assert!(
        warning
            .unwrap()
            .as_str()
            .unwrap()
            .contains(&format!("{asks_for} × ")),
        "{asked}"
    );
    // Right before the land the camera is turned to it.
    let blocks = asked["blocks"].as_array().unwrap();
    let land = blocks.iter().position(|b| b["kind"] == "land").unwrap();
    assert!(
        blocks[land - 1]["note"].as_str().unwrap().contains("to the land"),
        "{asked}"
    );
    let later = desk.json(&["shots", "trip", "--start", "1:30am", "--sky-frames", "8"]);
    let first = later["blocks"]
        .as_array()
        .unwrap()
        .iter()
        .find(|b| b["kind"] == "sky")
        .unwrap()["from"]
        .clone();
    // MDT is UTC-6 (tz database).
    assert_eq!(first, "2027-07-06T07:30:00.0Z");
}
