//! Places and dates without a dark night: no answer without its reason.

use jiff::civil::date;
use nightloom_outing::evening::{Evening, EveningTold, PlaceTold, SunAlways, sun_always, why_no_dark};

/// Sites from 80° N to 70° S with every five degrees of latitude, at longitudes all round.
fn evenings() -> Vec<Evening> {
    let latitudes = (0..31).map(|n| 80.0 - 5.0 * f64::from(n)).take(30).chain([-70.0]);
    latitudes
        .enumerate()
        .map(|(n, lat)| {
            let lon = -175.0 + 11.5 * n as f64;
            let place = PlaceTold {
                coordinates_deg: Some((lat, lon)),
                ..PlaceTold::default()
            };
            Evening::of(&EveningTold {
                place,
                ..EveningTold::default()
            })
            .unwrap()
        })
        .collect()
}

#[test]
fn no_answer_without_its_reason() {
    let (mut up, mut down, mut reasons) = (0, 0, 0);
    for evening in evenings() {
        let lat = evening.standpoint.site.latitude.deg();
        for day in [date(2027, 6, 21), date(2027, 12, 22)] {
            let night = evening.nights(day, day).unwrap().night(day, &[]).unwrap();
            let summer = (day.month() == 6) == (lat > 0.0);
            let always = sun_always(&night);
            // The sun at the solstice stands 23.44° from the equator; 0.83° are refraction and half the disc. Meeus 1998,
            // ch. 15: beyond 90° − 23.44° − 0.83° it does not set, beyond 90° − 23.44° + 0.83° it does not rise.
            if lat.abs() > 66.6 {
                assert_eq!(always == Some(SunAlways::Up), summer, "{lat} {day}");
            }
            if lat.abs() < 65.5 {
                assert_eq!(always, None, "{lat} {day}");
            }
            up += usize::from(always == Some(SunAlways::Up));
            down += usize::from(always == Some(SunAlways::Down));
            match why_no_dark(&night) {
                None => assert!(night.dark_minutes > 0.0, "{lat} {day}"),
                Some(why) => {
                    reasons += 1;
                    assert_eq!(
                        why.contains("midnight sun"),
                        always == Some(SunAlways::Up),
                        "{why}"
                    );
                    let (next, minutes) = evening
                        .next_dark(day)
                        .unwrap()
                        .unwrap_or_else(|| panic!("{lat} {day}"));
                    assert!(next > day && minutes >= 1.0, "{lat} {day}: {next}");
                }
            }
        }
    }
    assert!(up >= 3 && down >= 2 && reasons >= 8, "{up} {down} {reasons}");
}

/// At Longyearbyen's latitude the program says it in words.
#[test]
fn the_words_are_said() {
    let run = |args: &[&str]| {
        let output = std::process::Command::new(env!("CARGO_BIN_EXE_nightloom"))
            .args(args)
            .output()
            .unwrap();
        (
            output.status.code(),
            String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr),
        )
    };
    let place = ["--lat", "78°13'N", "--lon", "15°38'E"];
    let (code, june) = run(&[&["night"], &place[..], &["--date", "2027-06-21"]].concat());
    assert_eq!(code, Some(1), "{june}");
    assert!(
        june.contains("midnight sun") && june.contains("next dark night"),
        "{june}"
    );
    let (code, december) = run(&[&["night"], &place[..], &["--date", "2027-12-30"]].concat());
    assert_eq!(code, Some(0), "{december}");
    assert!(
        december.contains("polar night") && december.contains("the sun does not rise"),
        "{december}"
    );
    let (code, never) = run(&[
        &["when"],
        &place[..],
        &["--subject", "vega", "--from", "2027-06-01", "--to", "2027-06-30"],
    ]
    .concat());
    assert_eq!(code, Some(1));
    assert!(
        never.contains("midnight sun") && never.contains("next dark night"),
        "{never}"
    );
    let (code, core) = run(&[
        &["when"],
        &place[..],
        &[
            "--subject",
            "Milky Way core",
            "--from",
            "2027-12-01",
            "--to",
            "2027-12-30",
        ],
    ]
    .concat());
    assert_eq!(code, Some(1));
    assert!(core.contains("never rises"), "{core}");
}

/// What the program itself answers at each of those sites at both solstices: yes with something in it, or no with the
/// obstacle in a sentence, and for a subject without a window why it has none.
#[test]
fn every_command_gives_its_reason_at_every_site() {
    const OBSTACLES: [&str; 8] = [
        "midnight sun",
        "polar night",
        "does not get dark",
        "the moon is up",
        "does not rise",
        "stays behind",
        "by day and in twilight",
        "nothing is worth",
    ];
    let (mut yes, mut no) = (0, 0);
    for evening in evenings() {
        let site = &evening.standpoint.site;
        let (lat, lon) = (site.latitude.deg().to_string(), site.longitude.deg().to_string());
        for day in ["2027-06-21", "2027-12-22"] {
            for command in [
                &["night", "--subject", "Milky Way core"][..],
                &["shots", "--subject", "Milky Way core", "--sky-frames", "4"],
                &["tonight"],
            ] {
                let place = ["--lat", &*lat, "--lon", &*lon, "--date", day, "--json"];
                let output = std::process::Command::new(env!("CARGO_BIN_EXE_nightloom"))
                    .args([command, &place[..]].concat())
                    .output()
                    .unwrap();
                let told = String::from_utf8_lossy(&output.stderr).into_owned();
                let what = format!("{command:?} {lat} {day}: {told}");
                let json: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
                let reason = |text: &str| OBSTACLES.iter().any(|o| text.contains(o));
                match output.status.code() {
                    Some(0) => yes += 1,
                    // A plan may be too long for a short night, and says by how much.
                    Some(1) => {
                        no += 1;
                        assert!(
                            reason(&told) || told.contains("the plan does not fit, by"),
                            "{what}"
                        );
                    }
                    other => panic!("{other:?} {what}"),
                }
                if command[0] == "night" {
                    let subject = &json["subjects"][0];
                    let none = subject["windows"].as_array().unwrap().is_empty();
                    assert_eq!(
                        none,
                        subject["why"].as_str().is_some_and(reason),
                        "{what} {subject}"
                    );
                }
                if command[0] == "tonight" && output.status.success() {
                    assert!(!json["worthwhile"].as_array().unwrap().is_empty(), "{what}");
                }
            }
        }
    }
    println!("{yes} answers yes, {no} no, each with its reason");
    assert!(yes >= 60 && no >= 30, "{yes} {no}");
}
