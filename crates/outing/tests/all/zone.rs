//! The site's zone from its name or its coordinates.

use nightloom_outing::{likelier_place, named_zone, site_zone};
use nightloom_sky::Site;

fn at(latitude_deg: f64, longitude_deg: f64) -> Site {
    Site::new(latitude_deg, longitude_deg, 0.0).expect("a site")
}

/// Capitals, islands with odd offsets and both sides of the date line, by the tz database's own zone1970.tab, which
/// gives a principal place for every zone.
#[test]
fn places_lie_in_their_zones() {
    for (latitude, longitude, zone) in [
        (47.383, 8.533, "Europe/Zurich"),
        (27.717, 85.317, "Asia/Kathmandu"),
        (-31.717, 128.867, "Australia/Eucla"),
        (-43.95, -176.55, "Pacific/Chatham"),
        (47.567, -52.717, "America/St_Johns"),
        (1.867, -157.333, "Pacific/Kiritimati"),
        (-13.833, -171.733, "Pacific/Apia"),
        (-31.55, 159.083, "Australia/Lord_Howe"),
        (-9.0, -139.5, "Pacific/Marquesas"),
        (42.683, 23.317, "Europe/Sofia"),
        (78.0, 16.0, "Arctic/Longyearbyen"),
    ] {
        let found = site_zone(None, &at(latitude, longitude)).expect("a zone");
        assert_eq!(found.name, zone);
        assert!(found.from_place);
    }
}

#[test]
fn the_open_sea_and_the_ends_of_the_earth_have_a_zone() {
    for (latitude, longitude) in [
        (0.0, -150.0),
        (-60.0, 180.0),
        (-60.0, -180.0),
        (90.0, 0.0),
        (-90.0, 0.0),
    ] {
        let found = site_zone(None, &at(latitude, longitude)).expect("a zone");
        assert!(!found.name.is_empty());
    }
    let sea = site_zone(None, &at(-40.0, -120.0)).expect("a zone");
    let at_zero = jiff::Timestamp::UNIX_EPOCH;
    assert_eq!(sea.zone.to_offset(at_zero).seconds(), -8 * 3600, "{}", sea.name);
}

#[test]
fn names_are_taken_as_given_and_near_ones_offered() {
    assert_eq!(
        named_zone("asia/kathmandu").expect("a zone").name,
        "Asia/Kathmandu"
    );
    for (word, meant) in [
        ("Europe/Zuerich", "Europe/Zurich"),
        ("Katmandu", "Asia/Katmandu"),
        ("St Johns", "America/St_Johns"),
        ("Amerika/Denver", "America/Denver"),
    ] {
        let error = named_zone(word).expect_err("no such zone");
        assert!(error.to_string().contains(meant), "{error}");
    }
    let error = named_zone("qqqqqqqq").expect_err("no such zone");
    assert!(error.to_string().contains("Europe/Zurich"), "{error}");
}

#[test]
fn a_sign_or_an_order_that_does_not_fit_the_zone_is_noticed() {
    let sydney = named_zone("Australia/Sydney").expect("in the database");
    for wrong in [at(33.9, -151.2), at(-33.9, -151.2)] {
        assert_eq!(likelier_place(&sydney, &wrong), Some((-33.9, 151.2)), "{wrong:?}");
    }
    assert_eq!(likelier_place(&sydney, &at(-33.9, 151.2)), None);
    let denver = named_zone("America/Denver").expect("in the database");
    assert_eq!(likelier_place(&denver, &at(39.7, 105.0)), Some((39.7, -105.0)));
    // A clock kept on another zone on purpose is nobody's mistake.
    let utc = named_zone("UTC").expect("in the database");
    assert_eq!(likelier_place(&utc, &at(39.7, -105.0)), None);
}
