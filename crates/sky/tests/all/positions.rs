//! Places against skyfield with JPL's DE440, and against astropy (`reference/make_positions.py`).

use nalgebra::Vector3;
use nightloom_sky::{
    Angle, CometOrbit, EarthOrientation, Instant, Observer, Place, PlaceError, Site, SolarBody, Star, Target,
    Watch, catalogue,
};

use crate::table::rows_with_text;

/// Sun and moon, arcseconds. The bars are 1 and 12.
const SUN_AND_MOON_ARCSEC: f64 = 0.03;
/// Planets, arcseconds. The bar is 15.
const PLANETS_ARCSEC: f64 = 0.03;
/// Stars, arcseconds. The bar is 1.
const STARS_ARCSEC: f64 = 0.002;
/// Two-body motion by another's propagator, arcseconds.
const COMETS_ARCSEC: f64 = 0.02;
/// Of the distance.
const DISTANCE: f64 = 2e-6;

pub(crate) fn unit(longitude_deg: f64, latitude_deg: f64) -> Vector3<f64> {
    let (sin_a, cos_a) = longitude_deg.to_radians().sin_cos();
    let (sin_b, cos_b) = latitude_deg.to_radians().sin_cos();
    Vector3::new(cos_b * cos_a, cos_b * sin_a, sin_b)
}

pub(crate) fn apart_arcsec(a: &Vector3<f64>, b: &Vector3<f64>) -> f64 {
    Angle::from_rad(a.cross(b).norm().atan2(a.dot(b))).arcsec()
}

/// The columns that every table has: UT1 − UTC, latitude, longitude, elevation.
pub(crate) fn observer(utc: &str, row: &[f64], orientation: EarthOrientation) -> Observer {
    let site = Site::new(row[1], row[2], row[3]).expect("a site");
    let orientation = EarthOrientation {
        ut1_minus_utc_s: row[0],
        ..orientation
    };
    Observer::new(&site, instant(utc), orientation).expect("a date that is held")
}

fn instant(utc: &str) -> Instant {
    utc.parse().expect("an instant")
}

/// The worse of the horizontal and the equatorial difference. Expected: alt, az, right ascension, declination.
fn off_arcsec(found: &Place, expected: &[f64]) -> f64 {
    let horizontal = apart_arcsec(
        &unit(found.azimuth.deg(), found.altitude.deg()),
        &unit(expected[1], expected[0]),
    );
    if expected[2].is_nan() {
        return horizontal;
    }
    let equatorial = apart_arcsec(
        &unit(
            found.right_ascension_of_date.deg(),
            found.declination_of_date.deg(),
        ),
        &unit(expected[2], expected[3]),
    );
    horizontal.max(equatorial)
}

/// The worst of each name in a table, arcseconds; all of them are held to `most`.
fn held(worst: &mut Vec<(String, f64)>, name: &str, off: f64) {
    match worst.iter_mut().find(|(known, _)| known == name) {
        Some((_, most)) => *most = most.max(off),
        None => worst.push((name.to_owned(), off)),
    }
}

#[test]
fn sun_moon_and_planets() {
    let table = rows_with_text::<2>(include_str!("../reference/places.csv"));
    assert_eq!(table.len(), 600);
    let mut worst = Vec::new();
    for ([name, utc], row) in table {
        let body = SolarBody::ALL
            .into_iter()
            .find(|b| b.name() == name)
            .expect("a body");
        let place = observer(&utc, &row, EarthOrientation::default()).place(&body.into());
        held(&mut worst, &name, off_arcsec(&place, &row[4..8]));
        let distance = place.distance_km.expect("bodies have one");
        assert!(
            (distance / row[8] - 1.0).abs() < DISTANCE,
            "{name} {utc}: {distance} km"
        );
    }
    for (name, off) in &worst {
        let light = ["sun", "moon"].contains(&name.as_str());
        let most = if light {
            SUN_AND_MOON_ARCSEC
        } else {
            PLANETS_ARCSEC
        };
        assert!(*off < most, "{worst:?}");
    }
}

#[test]
fn stars() {
    let table = rows_with_text::<2>(include_str!("../reference/stars_seen.csv"));
    assert!(table.len() > 100);
    for ([hip, utc], row) in table {
        let orientation = EarthOrientation {
            pole_x: Angle::from_arcsec(row[4]),
            pole_y: Angle::from_arcsec(row[5]),
            ..EarthOrientation::default()
        };
        let star = Star {
            right_ascension: Angle::from_rad(row[6]),
            declination: Angle::from_rad(row[7]),
            epoch: 1991.25,
            motion_east: Angle::from_arcsec(row[8] / 1000.0),
            motion_north: Angle::from_arcsec(row[9] / 1000.0),
            parallax: Angle::from_arcsec(row[10] / 1000.0),
            radial_velocity_km_s: 0.0,
        };
        let place = observer(&utc, &row, orientation).place(&star.into());
        let off = off_arcsec(&place, &row[11..15]);
        assert!(off < STARS_ARCSEC, "HIP {hip} {utc}: {off}″");
    }
}

/// The same from the embedded catalogue by its number alone: what it leaves out costs no more than this.
#[test]
fn stars_of_the_catalogue() {
    const COMPACT_ARCSEC: f64 = 0.03;
    for ([hip, utc], row) in rows_with_text::<2>(include_str!("../reference/stars_seen.csv")) {
        let Some(star) = catalogue::stars().iter().find(|s| s.hip.to_string() == hip) else {
            continue;
        };
        let orientation = EarthOrientation {
            pole_x: Angle::from_arcsec(row[4]),
            pole_y: Angle::from_arcsec(row[5]),
            ..EarthOrientation::default()
        };
        let place = observer(&utc, &row, orientation).place(&star.into());
        let off = off_arcsec(&place, &row[11..15]);
        assert!(off < COMPACT_ARCSEC, "HIP {hip} {utc}: {off}″");
    }
}

#[test]
fn comets() {
    let table = rows_with_text::<2>(include_str!("../reference/comets.csv"));
    assert_eq!(table.len(), 64);
    for ([name, utc], row) in table {
        let orbit = CometOrbit {
            perihelion_au: row[4],
            eccentricity: row[5],
            inclination: Angle::from_deg(row[6]),
            ascending_node: Angle::from_deg(row[7]),
            argument_of_perihelion: Angle::from_deg(row[8]),
            perihelion_jd_tdb: row[9],
        };
        let orbit = orbit.checked().expect("an orbit");
        let place = observer(&utc, &row, EarthOrientation::default()).place(&orbit.into());
        let off = off_arcsec(&place, &row[10..14]);
        assert!(off < COMETS_ARCSEC, "{name} {utc}: {off}″");
    }
}

/// Meeus 1998, table 35.a (near-parabolic motion) and example 34.a: q, e, days, true anomaly, distance.
#[test]
fn meeus_34_and_35_anomalies() {
    const TOLERANCE_DEG: f64 = 1e-5;
    const TOLERANCE_AU: f64 = 1e-6;
    let table = [
        (0.921_326, 1.0, 138.4783, 102.744_26, 2.364_192),
        (0.1, 0.987, 254.9, 164.500_29, 4.063_777),
        (0.123_456, 0.999_97, -30.47, 221.911_90, 0.965_053),
        (3.363_943, 1.057_31, 1237.1, 109.405_98, 10.668_551),
        (0.587_101_8, 0.967_274_6, 20.0, 52.853_31, 0.729_116),
        (0.587_101_8, 0.967_274_6, 0.0, 0.0, 0.587_102),
        (1.487_469, 1.0, 112.5642, 66.788_62, 2.133_911),
    ];
    for (perihelion_au, eccentricity, days, anomaly, distance) in table {
        let orbit = CometOrbit {
            perihelion_au,
            eccentricity,
            inclination: Angle::default(),
            ascending_node: Angle::default(),
            argument_of_perihelion: Angle::default(),
            perihelion_jd_tdb: 2_451_545.0,
        };
        let (found, au) = orbit.anomaly_and_distance(days);
        assert!(
            (found.wrapped_360().deg() - anomaly).abs() < TOLERANCE_DEG,
            "{anomaly}°: {found:?}"
        );
        assert!((au - distance).abs() < TOLERANCE_AU, "{distance} au: {au}");
    }
}

/// The interpolated pole against the computed one.
#[test]
fn a_watch_sees_what_an_observer_sees() {
    const SAME_ARCSEC: f64 = 0.001;
    let site = Site::new(-45.9, 170.5, 300.0).expect("a site");
    let orientation = EarthOrientation::with_ut1_minus_utc(0.1);
    let (from, to) = (instant("2026-06-01T00:00:00Z"), instant("2026-08-01T00:00:00Z"));
    let watch = Watch::over(&site, orientation, from, to).expect("held");
    for step in 0..=200 {
        let at = from.plus_seconds(f64::from(step) / 200.0 * to.seconds_since(from));
        let quick = watch.at(at).expect("held");
        let slow = Observer::new(&site, at, orientation).expect("held");
        for body in [SolarBody::Sun, SolarBody::Moon] {
            let off = apart_arcsec(&quick.direction(&body.into()), &slow.direction(&body.into()));
            assert!(off < SAME_ARCSEC, "{at}: {off}″");
            let difference = quick.place(&body.into()).right_ascension_of_date
                - slow.place(&body.into()).right_ascension_of_date;
            assert!(difference.arcsec().abs() < SAME_ARCSEC, "{at}");
        }
    }
    // Outside its span it is slow but right.
    let later = instant("2026-10-01T00:00:00Z");
    let slow = Observer::new(&site, later, orientation).expect("held");
    let moon = Target::Body(SolarBody::Moon);
    assert_eq!(watch.at(later).expect("held").place(&moon), slow.place(&moon));
}

#[test]
fn dates_without_positions_are_refused() {
    let site = Site::new(46.0, 8.0, 0.0).expect("a site");
    let ask = |utc: &str| Observer::new(&site, instant(utc), EarthOrientation::default());
    for held in [
        "1990-01-01T00:00:00Z",
        "2060-12-31T23:59:59Z",
        "2061-01-01T12:00:00Z",
    ] {
        assert!(ask(held).is_ok(), "{held}");
    }
    for missing in [
        "1989-12-30T00:00:00Z",
        "2061-01-03T00:00:00Z",
        "1700-01-01T00:00:00Z",
    ] {
        let error = ask(missing).expect_err("no positions");
        assert!(matches!(error, PlaceError::Date(_)));
        assert!(error.to_string().contains("1990 to 2060"), "{error}");
        assert!(nightloom_sky::sun(instant(missing)).is_err());
    }
}

#[test]
fn places_that_are_none_are_refused() {
    let swapped = Site::new(151.2, -33.9, 0.0)
        .expect_err("beyond the pole")
        .to_string();
    assert!(
        swapped.contains("latitude -33.9 and longitude 151.2"),
        "{swapped}"
    );
    let beyond = Site::new(91.0, 120.0, 0.0)
        .expect_err("beyond the pole")
        .to_string();
    assert!(!beyond.contains("swapped"), "{beyond}");
    assert!(Site::new(0.0, 181.0, 0.0).is_err());
    assert!(Site::new(0.0, 0.0, 9001.0).is_err());
    assert!(Site::new(f64::NAN, 0.0, 0.0).is_err());
    let site = Site::new(90.0, 180.0, 0.0).expect("the pole");
    let orientation = EarthOrientation::with_ut1_minus_utc(37.0);
    let error = Observer::new(&site, instant("2026-01-01T00:00:00Z"), orientation).expect_err("no such UT1");
    assert!(error.to_string().contains("UT1 - UTC is 37"), "{error}");
}

#[test]
fn orbits_that_are_none_are_refused() {
    let orbit = CometOrbit {
        perihelion_au: -1.0,
        eccentricity: 1.0,
        inclination: Angle::default(),
        ascending_node: Angle::default(),
        argument_of_perihelion: Angle::default(),
        perihelion_jd_tdb: 2_451_545.0,
    };
    let error = orbit
        .checked()
        .expect_err("a perihelion behind the sun")
        .to_string();
    assert!(error.contains("perihelion distance is -1"), "{error}");
    let nan = CometOrbit {
        perihelion_au: 1.0,
        eccentricity: f64::NAN,
        ..orbit
    };
    assert!(nan.checked().is_err());
}
