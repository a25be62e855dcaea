//! `outing.toml`: every fault names its line and key and says what to do.

use nightloom_outing::options::{FRAME_OPTIONS, OPTIONS, SECTIONS};
use nightloom_outing::{Rejection, Role, Settings, White, check_frame_names, parse_settings, template};

/// (text, line, key, words the message must hold)
type Case = (&'static str, usize, &'static str, &'static [&'static str]);

const WRONG: &[Case] = &[
    (
        "[rig]\nfits_black = 100\nfits_white = 50",
        3,
        "rig.fits_white",
        &["more than fits_black (100)"],
    ),
    (
        "[site]\nlatitude_deg = 95\nlongitude_deg = 0",
        2,
        "site.latitude_deg",
        &["-90 to 90", "found 95"],
    ),
    (
        "[site]\nlatitude_deg = nan\nlongitude_deg = 0",
        2,
        "site.latitude_deg",
        &["found nan"],
    ),
    (
        "[site]\n\nlatitude = 46.5",
        3,
        "site.latitude",
        &["write latitude_deg", "degrees"],
    ),
    (
        "[site]\nlatitude_rad = 0.8",
        2,
        "site.latitude_rad",
        &["write latitude_deg"],
    ),
    (
        "[rig]\nfocal_cm = 2.4",
        2,
        "rig.focal_cm",
        &["write focal_mm", "millimetres"],
    ),
    (
        "[rig]\nfocal_mm = \"24 mm\"",
        2,
        "rig.focal_mm",
        &["the text “24 mm”", "focal_mm = 24"],
    ),
    (
        "[rig]\nfocal_mm = -24",
        2,
        "rig.focal_mm",
        &["1 to 5000", "found -24"],
    ),
    (
        "[site]\nlatitude_deg = 46.5",
        2,
        "site.latitude_deg",
        &["longitude_deg"],
    ),
    (
        "[site]\nelevation_m = 100",
        2,
        "site.elevation_m",
        &["latitude_deg and longitude_deg"],
    ),
    (
        "[site]\nzone = \"Europe/Zürich\"",
        2,
        "site.zone",
        &["IANA", "Europe/Zürich"],
    ),
    (
        "# night\n[sky]\nmin_star = 5",
        3,
        "sky.min_star",
        &["did you mean min_stars"],
    ),
    ("[sky]\nmin_stars = 2.5", 2, "sky.min_stars", &["whole number"]),
    (
        "[sky]\nrejection = \"nnoe\"",
        2,
        "sky.rejection",
        &["did you mean \"none\""],
    ),
    (
        "[sky]\nstretch = 0.5",
        2,
        "sky.stretch",
        &["move it below [picture]"],
    ),
    (
        "[sky]\nreference = \"sky\\\\a.dng\"",
        2,
        "sky.reference",
        &["write \"sky/a.dng\""],
    ),
    (
        "[pictur]\nstretch = 0.5",
        1,
        "pictur",
        &["did you mean [picture]"],
    ),
    ("stretch = 0.5", 1, "stretch", &["move it below [picture]"]),
    ("picture = 3", 1, "picture", &["[picture]"]),
    ("[picture]\nstretch = 1.5", 2, "picture.stretch", &["0 to 1"]),
    (
        "[picture]\ngrow = \"yes\"",
        2,
        "picture.grow",
        &["true or false", "yes"],
    ),
    (
        "[seam]\noffset_px = [0, -999999]",
        2,
        "seam.offset_px",
        &["two numbers", "pixels"],
    ),
    ("[seam]\noffset_px = [1]", 2, "seam.offset_px", &["two numbers"]),
    (
        "[seam]\noffset_px = [1, 2, 3]",
        2,
        "seam.offset_px",
        &["two numbers"],
    ),
    (
        "[seam]\ninstant = 2026-09-12T21:40:00",
        2,
        "seam.instant",
        &["add Z for UTC"],
    ),
    (
        "[seam]\ninstant = \"last night\"",
        2,
        "seam.instant",
        &["moment in UTC", "last night"],
    ),
    (
        "[camera_clock]\noffset = \"+25:00\"",
        2,
        "camera_clock.offset",
        &["+02:00"],
    ),
    (
        "[camera_clock]\noffset = 2",
        2,
        "camera_clock.offset",
        &["+02:00"],
    ),
    (
        "[frames]\n\"a.dng\" = \"land\"",
        2,
        "frames.\"a.dng\"",
        &["role = "],
    ),
    (
        "[frames]\n\"a.dng\" = { role = \"foreground\" }",
        2,
        "frames.\"a.dng\".role",
        &["\"land\""],
    ),
    (
        "[frames]\n\"a.dng\" = { rol = \"land\" }",
        2,
        "frames.\"a.dng\".rol",
        &["did you mean role"],
    ),
    (
        "[frames]\n\"./a.dng\" = { use = false }",
        2,
        "frames.\"./a.dng\"",
        &["write “a.dng”"],
    ),
    (
        "[site]\nlatitude_deg = 1\nlatitude_deg = 2",
        3,
        "latitude_deg",
        &["duplicate"],
    ),
    (
        "[site]\nlatitude_deg 46",
        2,
        "",
        &["not valid TOML", "latitude_deg 46"],
    ),
    ("[site\nlatitude_deg = 46", 1, "", &["not valid TOML"]),
];

#[test]
fn every_fault_names_its_line_and_key() {
    for (text, line, key, words) in WRONG {
        let error = parse_settings(text, "outing.toml").expect_err(text);
        let fault = &error.faults[0];
        assert_eq!((fault.line, fault.key.as_str()), (*line, *key), "{text}\n{error}");
        for word in *words {
            assert!(fault.message.contains(word), "“{word}” is missing in: {error}");
        }
        let shown = error.to_string();
        assert!(shown.starts_with(&format!("outing.toml, line {line}")), "{shown}");
    }
}

#[test]
fn all_faults_are_told_at_once_in_line_order() {
    let text = "[picture]\nstretch = 9\nsaturatoin = 1\n[site]\nlatitude_deg = 200\n";
    let error = parse_settings(text, "outing.toml").unwrap_err();
    let lines: Vec<usize> = error.faults.iter().map(|f| f.line).collect();
    assert_eq!(lines, [2, 3, 5]);
    assert_eq!(error.to_string().lines().count(), 3);
}

#[test]
fn nothing_said_is_the_defaults() {
    assert_eq!(parse_settings("", "outing.toml").unwrap(), Settings::default());
    assert_eq!(
        parse_settings("[sky]\n[picture]\n", "outing.toml").unwrap(),
        Settings::default()
    );
}

#[test]
fn what_is_said_arrives() {
    let text = r#"
        outing.name = "A night"
        [site]
        latitude_deg = -33.5
        longitude_deg = 20
        [camera_clock]
        offset = "-03:30"
        [sky]
        rejection = "none"
        [seam]
        instant = 2026-09-12T23:40:00+02:00
        offset_px = [3, -4.5]
        [picture]
        white = "as-shot"
        [frames]
        "sky/a b.dng" = { role = "land", use = false }
        [frames."c.dng"]
        use = true
    "#;
    let s = parse_settings(text, "outing.toml").unwrap();
    assert_eq!(s.outing.name.as_deref(), Some("A night"));
    let place = s.site.place.unwrap();
    assert!((place.latitude.deg() + 33.5).abs() < 1e-12 && (place.longitude.deg() - 20.0).abs() < 1e-12);
    assert_eq!(s.camera_clock.offset_s, Some(-12_600));
    assert_eq!(s.sky.rejection, Rejection::None);
    assert_eq!(s.seam.instant.unwrap().to_string(), "2026-09-12T21:40:00Z");
    assert_eq!(s.seam.offset_px, [3.0, -4.5]);
    assert_eq!(s.picture.white, White::AsShot);
    assert_eq!(s.frames["sky/a b.dng"].role, Some(Role::Land));
    assert_eq!(s.frames["sky/a b.dng"].used, Some(false));
    assert_eq!(s.frames["c.dng"].used, Some(true));
}

/// No option may be described and then not reach the settings: its example changes them.
#[test]
fn every_option_reaches_the_settings() {
    for o in OPTIONS {
        let beside = match o.key {
            "latitude_deg" => "longitude_deg = 7.5\n",
            "longitude_deg" => "latitude_deg = 45.5\n",
            "elevation_m" => "latitude_deg = 45.5\nlongitude_deg = 7.5\n",
            _ => "",
        };
        let said = |lines: String| parse_settings(&format!("[{}]\n{lines}", o.section), "outing.toml");
        let without = said(beside.to_owned()).unwrap_or_default();
        let with =
            said(format!("{beside}{} = {}\n", o.key, o.example)).unwrap_or_else(|e| panic!("{}: {e}", o.key));
        assert_ne!(
            with, without,
            "[{}] {} = {} changes nothing",
            o.section, o.key, o.example
        );
        if let Some(default) = o.default {
            let with_default = said(format!("{beside}{} = {default}\n", o.key)).unwrap();
            assert_eq!(
                with_default, without,
                "the default of {} is not what its absence means",
                o.key
            );
        }
    }
    for o in FRAME_OPTIONS {
        let text = format!("[frames]\n\"a.dng\" = {{ {} = {} }}", o.key, o.example);
        let frame = &parse_settings(&text, "outing.toml").unwrap().frames["a.dng"];
        assert!(frame.role.is_some() || frame.used.is_some(), "{}", o.key);
    }
}

/// The commented template parses as it stands, and with every option switched on.
#[test]
fn the_template_holds_every_option_and_parses() {
    let text = template(&[], &["2 sky: a.dng to b.dng (lies in the folder “sky”)".into()]);
    assert_eq!(parse_settings(&text, "outing.toml").unwrap(), Settings::default());
    let is_option = |line: &str| {
        let key = line
            .strip_prefix("# ")
            .and_then(|l| l.split_once(" = "))
            .map(|(k, _)| k);
        key.is_some_and(|k| k.starts_with('"') || OPTIONS.iter().any(|o| o.key == k))
    };
    let on: String = text
        .lines()
        .map(|l| {
            if is_option(l) {
                l[2..].to_owned() + "\n"
            } else {
                l.to_owned() + "\n"
            }
        })
        .collect();
    let all = parse_settings(&on, "outing.toml").unwrap_or_else(|e| panic!("{e}\n{on}"));
    assert_eq!(all.frames.len(), 1);
    for o in OPTIONS {
        assert!(
            on.lines().any(|l| l.starts_with(&format!("{} = ", o.key))),
            "{} is not in the template",
            o.key
        );
    }
    for (section, _) in SECTIONS {
        assert!(text.contains(&format!("\n[{section}]\n")), "{section}");
    }
}

#[test]
fn frames_that_are_not_there_are_faults() {
    let text = "[sky]\nreference = \"sky/z.dng\"\n[frames]\n\"sky/IMG_1.dng\" = { use = false }\n\"sky/IMG_2.dgn\" = { use = false }\n";
    let settings = parse_settings(text, "outing.toml").unwrap();
    let found = ["sky/IMG_1.dng", "sky/IMG_2.dng"];
    let error = check_frame_names(&settings, found, "outing.toml").unwrap_err();
    let told: Vec<(usize, &str)> = error.faults.iter().map(|f| (f.line, f.key.as_str())).collect();
    assert_eq!(told, [(2, "sky.reference"), (5, "frames.\"sky/IMG_2.dgn\"")]);
    assert!(
        error.faults[1].message.contains("did you mean “sky/IMG_2.dng”"),
        "{error}"
    );
}

/// The document for people says what the program checks. `NIGHTLOOM_WRITE_DOCS=1` writes it anew.
#[test]
fn the_documentation_is_the_options() {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../../docs/outing-toml.md");
    if std::env::var_os("NIGHTLOOM_WRITE_DOCS").is_some() {
        std::fs::write(path, nightloom_outing::markdown()).unwrap();
    }
    let written = std::fs::read_to_string(path).unwrap();
    assert_eq!(
        written,
        nightloom_outing::markdown(),
        "docs/outing-toml.md is not what the options say; NIGHTLOOM_WRITE_DOCS=1 writes it anew"
    );
}
