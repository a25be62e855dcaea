//! Its figures are those of the other commands, and the instructions have their cautions.

use super::*;

#[test]
fn its_times_are_those_of_the_other_commands() {
    let folder = Folder::new("times", NAME);
    let sheet = json(&run("sheet", folder.path(), &[FIELD, &["--json"]]));
    let shots = json(&run("shots", folder.path(), &[FIELD, &["--json"]]));
    let night = json(&run("night", folder.path(), &[&["--json"]]));
    let page = folder.page();
    let data = data(&page);
    let (steps, blocks) = (
        sheet["sheet"]["steps"].as_array().unwrap(),
        shots["blocks"].as_array().unwrap(),
    );
    assert_eq!(steps.len(), blocks.len());
    assert!(steps.len() >= 10, "{}", steps.len());
    for (k, (step, block)) in steps.iter().zip(blocks).enumerate() {
        for key in [
            "kind",
            "from",
            "to",
            "count",
            "exposure_s",
            "f_number",
            "iso",
            "note",
        ] {
            assert_eq!(step[key], block[key], "{k} {key}");
        }
        for key in ["from", "to"] {
            let shown = data["steps"][k][key].as_i64().unwrap();
            assert!((shown - ms(&block[key])).abs() <= 100, "{k} {key}");
        }
        // What waits for the evening's light cannot be put off.
        assert_eq!(data["steps"][k]["moves"], block["kind"] != "land", "{k}");
        // In winter the clocks of Bucharest are two hours ahead (tz database).
        let local = ms(&block["from"]) + 2 * 3_600_000 + 30_000;
        let (h, m) = (local / 3_600_000 % 24, local / 60_000 % 60);
        let row = between(&page, &format!("<li data-step=\"{k}\">"), "</li>");
        assert!(row.contains(&format!("<b>{h:02}:{m:02}</b>")), "{row}");
    }
    let moments = sheet["sheet"]["moments"].as_array().unwrap();
    let (sun, moon, deneb) = (&night["sun"], &night["moon"], &night["subjects"][0]);
    for (words, at) in [
        ("sunset", &sun["sunset"]),
        ("nautical dusk", &sun["nautical_dusk"]),
        ("night, sun below", &sun["astronomical_dusk"]),
        ("first dawn", &sun["astronomical_dawn"]),
        ("sunrise", &sun["sunrise"]),
        ("moonrise", &moon["rises"][0]),
        ("dark: no sun", &night["dark"][0]["from"]),
        ("Deneb up and dark", &deneb["windows"][0]["from"]),
        ("Deneb no longer", &deneb["windows"][0]["to"]),
    ] {
        let found = moments
            .iter()
            .filter(|m| m["words"].as_str().unwrap().starts_with(words));
        let near = found.filter(|m| (ms(&m["at"]) - ms(at)).abs() <= 100);
        assert_eq!(near.count(), 1, "{words} at {at} in {moments:?}");
    }
    assert!(moments.is_sorted_by_key(|m| ms(&m["at"])));
}

/// Between the rows of its table the page goes straight: within 0.01° and 0.01′ of `nightloom pole`, wherever the
/// pole stands 10° high at least.
#[test]
fn the_pole_star_stands_where_the_pole_command_has_it() {
    for (place, lat, lon) in [
        ("north", "45.42", "24.10"),
        ("south", "-33.9", "18.4"),
        ("low", "12.0", "77.6"),
    ] {
        let temp = crate::night::Temp::new();
        let out = temp.night().join(format!("sheet-{place}.html"));
        let at_place = ["--lat", lat, "--lon", lon, "--elevation", "500"];
        let args = ["--date", "2026-09-10", "--json", "--out", out.to_str().unwrap()];
        let mut command = Command::new(env!("CARGO_BIN_EXE_nightloom"));
        json(&command.arg("sheet").args(at_place).args(args).output().unwrap());
        let page = fs::read_to_string(&out).unwrap();
        let pole = &data(&page)["pole"];
        for minutes in [365.0, 618.5, 904.0] {
            let (angle, off) = interpolated(pole, minutes);
            let at = pole["from"].as_i64().unwrap() + (minutes * 60_000.0) as i64;
            let at = jiff::Timestamp::from_millisecond(at).unwrap().to_string();
            let mut command = Command::new(env!("CARGO_BIN_EXE_nightloom"));
            let told = json(
                &command
                    .arg("pole")
                    .args(at_place)
                    .args(["--at", &at, "--json"])
                    .output()
                    .unwrap(),
            );
            let refracted = &told["refracted"];
            let turn = angle - refracted["clock_angle_deg"].as_f64().unwrap();
            let turn = (turn + 540.0).rem_euclid(360.0) - 180.0;
            let apart = off - refracted["separation_arcmin"].as_f64().unwrap();
            println!("{place} {at}: {turn:.4}° {apart:.4}′");
            assert!(
                turn.abs() < 0.01 && apart.abs() < 0.01,
                "{place} {at}: {turn}° {apart}′"
            );
        }
    }
}

/// As the page's script does it.
fn interpolated(pole: &Value, minutes: f64) -> (f64, f64) {
    let row = minutes * 60_000.0 / pole["every_ms"].as_f64().unwrap();
    let (k, part) = (row.floor() as usize, row.fract());
    let of = |what: &str, k: usize| pole[what][k].as_f64().unwrap();
    let turn = (of("clock_angle_deg", k + 1) - of("clock_angle_deg", k) + 540.0).rem_euclid(360.0) - 180.0;
    let off = of("separation_arcmin", k) * (1.0 - part) + of("separation_arcmin", k + 1) * part;
    ((of("clock_angle_deg", k) + part * turn).rem_euclid(360.0), off)
}

/// Half a pixel of drift at T[s]·X[′]·f[mm]/p[µm] = 23 636, so a whole one in 4 min at 24 mm and 5.95 µm at 49′.
#[test]
fn the_lens_says_how_well_the_axis_must_stand() {
    let folder = Folder::new("axis", NAME);
    let settings = folder.path().join("outing.toml");
    let text = fs::read_to_string(&settings).unwrap() + "[rig]\nfocal_mm = 24.0\npixel_um = 5.95\n";
    let four_minutes = ["--sky-exposure", "4min f/2.8 ISO800", "--json"];
    json(&run("sheet", folder.path(), &[&four_minutes]));
    assert!(!folder.page().contains("need the axis within"));
    fs::write(&settings, text).unwrap();
    json(&run("sheet", folder.path(), &[&four_minutes]));
    let page = folder.page();
    let pole = between(&page, "<section id=\"pole\">", "</section>");
    assert!(
        pole.contains("240 s with this lens need the axis within 49′"),
        "{pole}"
    );
}

#[test]
fn the_ladder_has_the_plan_in_it_and_the_same_light_on_every_rung() {
    let folder = Folder::new("ladder", NAME);
    let sheet = json(&run("sheet", folder.path(), &[FIELD, &["--json"]]));
    let ladders = sheet["sheet"]["ladders"].as_array().unwrap();
    assert_eq!(ladders.len(), 2, "sky and land");
    let rungs = ladders[0]["rungs"].as_array().unwrap();
    let plan = rungs.iter().find(|r| r["stops"] == 0.0).unwrap();
    assert_eq!(plan["settings"]["seconds"], 90.0);
    assert!(rungs.len() >= 6, "{}", rungs.len());
    // EV100 = log2(N²/t) − log2(ISO/100) (ISO 2720); marks are rounded by up to an eighth of a stop.
    let ev = |r: &Value| {
        let s = &r["settings"];
        let [t, n, iso] = ["seconds", "f_number", "iso"].map(|k| s[k].as_f64().unwrap());
        (n * n / t * 100.0 / iso).log2()
    };
    for rung in rungs {
        assert!((ev(rung) - ev(plan)).abs() < 0.25, "{rung}");
    }
    let bare = json(&run("sheet", folder.path(), &[&["--json"]]));
    assert_eq!(bare["sheet"]["ladders"].as_array().unwrap().len(), 0);
    assert!(folder.page().contains("no ladder"));
}

#[test]
fn cautions_stand_beside_the_instructions() {
    let folder = Folder::new("cautions", NAME);
    json(&run("sheet", folder.path(), &[FIELD, &["--json"]]));
    let page = folder.page();
    let care = between(&page, "<section id=\"care\">", "</section>");
    for part in [
        "Local law",
        "Cold and dark",
        "edge",
        "water",
        "Do not drive tired",
        "never towards aircraft",
    ] {
        assert!(care.contains(part), "{part}");
    }
    // A way without a beam comes first, there and beside the pole star.
    for section in ["care", "pole"] {
        let text = between(&page, &format!("<section id=\"{section}\">"), "</section>");
        let without = text.find("sighting tube").unwrap();
        assert!(without < text.find("laser").unwrap(), "{section}");
    }
}
