//! One option of outing.toml set, its comments kept.

use nightloom_outing::{OUTING_TOML, option_in, parse_settings, with_option};

const TEXT: &str = "# mine\n[site]\n# the ridge\nlatitude_deg = 46.5  # by map\nlongitude_deg = 8.0\n\n[rig]\n# Focal length.\n# focal_mm = 24.0\n";

#[test]
fn a_value_changes_and_its_comments_stay() {
    let text = with_option(TEXT, "site", "latitude_deg", "-33.25").unwrap();
    assert_eq!(text, TEXT.replace("46.5 ", "-33.25 "));
    assert_eq!(
        option_in(&text, "site", "latitude_deg").unwrap().as_deref(),
        Some("-33.25")
    );
}

#[test]
fn a_line_that_is_off_is_switched_on_where_it_stands() {
    let text = with_option(TEXT, "rig", "focal_mm", "35").unwrap();
    assert!(
        text.ends_with("[rig]\n# Focal length.\nfocal_mm = 35.0\n"),
        "{text}"
    );
}

#[test]
fn what_is_switched_off_can_still_be_read() {
    let text = with_option(TEXT, "rig", "focal_mm", "35").unwrap();
    let text = with_option(&text, "rig", "focal_mm", "").unwrap();
    assert!(text.contains("# focal_mm = 35.0\n"), "{text}");
    assert_eq!(option_in(&text, "rig", "focal_mm").unwrap(), None);
    assert!(text.contains("# Focal length.\n"), "{text}");
}

#[test]
fn an_empty_file_begins_with_the_template() {
    let text = with_option("", "outing", "evening", "2026-09-12").unwrap();
    assert!(text.contains("\nevening = 2026-09-12\n"), "{text}");
    let text = with_option(&text, "outing", "name", "Bare ridge \"north\"").unwrap();
    assert_eq!(
        option_in(&text, "outing", "name").unwrap().as_deref(),
        Some("Bare ridge \"north\"")
    );
    let settings = parse_settings(&text, OUTING_TOML).unwrap();
    assert_eq!(settings.outing.name.as_deref(), Some("Bare ridge \"north\""));
}

#[test]
fn nonsense_changes_nothing() {
    for (section, key, typed) in [
        ("site", "latitude_deg", "95"),
        ("site", "latitude_deg", "north"),
        ("site", "zone", "Europe/Nowhere"),
        ("outing", "evening", "soon"),
        ("site", "height", "3"),
        ("rig", "projection", "bent"),
    ] {
        assert!(
            with_option(TEXT, section, key, typed).is_err(),
            "{section}.{key} = {typed}"
        );
    }
    let broken = with_option("[site\n", "site", "latitude_deg", "1").unwrap_err();
    assert_eq!(broken.faults[0].line, 1);
}
