//! The pole stars against skyfield (`reference/make_positions.py`).

use nightloom_sky::{Air, EarthOrientation, Instant, Observer, PoleStar, Site, Star, catalogue, pole_star};

use crate::positions::observer;
use crate::table::rows_with_text;

/// Arcseconds and degrees; the bars are 0.3″ and 0.01°.
const SEPARATION_ARCSEC: f64 = 0.003;
const CLOCK_DEG: f64 = 0.0001;
const HOURS: f64 = CLOCK_DEG / 15.0;

fn turn(a: f64, b: f64) -> f64 {
    ((a - b + 180.0).rem_euclid(360.0) - 180.0).abs()
}

#[test]
fn offsets_of_both_pole_stars() {
    let table = rows_with_text::<2>(include_str!("../reference/poles.csv"));
    assert_eq!(table.len(), 60);
    for ([hip, utc], row) in table {
        let air = Air {
            pressure_hpa: row[4],
            temperature_c: row[5],
        };
        let observer = observer(&utc, &row, EarthOrientation::default()).with_air(air);
        let (star, view) = pole_star(&observer);
        assert_eq!(star.hip.to_string(), hip);
        let off = (view.airless.separation.arcmin() - row[6]).abs() * 60.0;
        assert!(off < SEPARATION_ARCSEC, "{utc}: {off}″");
        assert!(
            turn(view.airless.clock_angle.deg(), row[7]) < CLOCK_DEG,
            "{utc}: {view:?}"
        );
        assert!(
            (view.star.hour_angle.deg() / 15.0 - row[8]).abs() < HOURS,
            "{utc}: {view:?}"
        );
        let off = (view.refracted.separation.arcmin() - row[9]).abs() * 60.0;
        assert!(off < SEPARATION_ARCSEC, "{utc}, refracted: {off}″");
        assert!(
            turn(view.refracted.clock_angle.deg(), row[10]) < CLOCK_DEG,
            "{utc}: {view:?}"
        );
        assert!((view.pole_altitude.deg() - row[1].abs()).abs() < 1e-7);
    }
}

/// Polaris is 37.7′ from the pole in 2026 and 32.7′ in 2050 (mean of date, computed from its place and IAU 2006
/// precession); aberration and nutation move it by up to 0.6′.
#[test]
fn polaris_comes_nearer() {
    const APPARENT_ARCMIN: f64 = 0.6;
    let site = Site::new(47.0, 8.0, 0.0).expect("a site");
    for (utc, expected) in [("2026-01-01T00:00:00Z", 37.71), ("2050-01-01T00:00:00Z", 32.7)] {
        let at: Instant = utc.parse().expect("an instant");
        let observer = Observer::new(&site, at, EarthOrientation::default()).expect("held");
        let found = pole_star(&observer).1.airless.separation.arcmin();
        assert!((found - expected).abs() < APPARENT_ARCMIN, "{utc}: {found}′");
    }
}

/// Upper culmination is straight up in both hemispheres; a quarter day later the star is west: left of the north
/// pole, right of the south pole.
#[test]
fn the_clock_runs_the_right_way() {
    const NEARLY_DEG: f64 = 3.0;
    for (latitude, later) in [(40.0, 270.0), (-40.0, 90.0)] {
        let site = Site::new(latitude, 0.0, 0.0).expect("a site");
        let mut at: Instant = "2026-03-01T00:00:00Z".parse().expect("an instant");
        let view = |at| pole_star(&Observer::new(&site, at, EarthOrientation::default()).expect("held")).1;
        at = at.plus_seconds(-view(at).star.hour_angle.deg() * 239.34);
        assert!(turn(view(at).airless.clock_angle.deg(), 0.0) < NEARLY_DEG);
        assert!(view(at).star.altitude.deg() > 40.0);
        let west = view(at.plus_seconds(21_541.0));
        assert!(turn(west.airless.clock_angle.deg(), later) < NEARLY_DEG);
        assert!(west.star.azimuth.deg() > 180.0 - NEARLY_DEG);
    }
}

/// The constants are the catalogue's.
#[test]
fn constants_agree_with_the_catalogue() {
    for known in [PoleStar::POLARIS, PoleStar::SIGMA_OCTANTIS] {
        let listed = catalogue::stars()
            .iter()
            .find(|s| s.hip == known.hip)
            .expect("listed");
        let listed = Star::from(listed);
        assert!(
            (listed.right_ascension - known.star.right_ascension)
                .arcsec()
                .abs()
                < 0.001
        );
        assert!((listed.declination - known.star.declination).arcsec().abs() < 0.001);
        assert!((listed.motion_east - known.star.motion_east).arcsec().abs() < 1e-5);
        assert!((listed.motion_north - known.star.motion_north).arcsec().abs() < 1e-5);
    }
}

/// At the poles and on the equator there are answers too.
#[test]
fn extreme_sites() {
    for latitude in [90.0, -90.0, 0.0, 89.999_999] {
        let site = Site::new(latitude, 0.0, 0.0).expect("a site");
        let at: Instant = "2026-03-01T00:00:00Z".parse().expect("an instant");
        let (_, view) = pole_star(&Observer::new(&site, at, EarthOrientation::default()).expect("held"));
        assert!(view.airless.separation.arcmin() > 30.0 && view.airless.separation.arcmin() < 80.0);
        assert!(view.airless.clock_angle.deg().is_finite());
        assert!(view.refracted.separation.arcmin() > 25.0);
    }
}

/// The hops that every handbook gives (from memory): through the pointers of the Plough to Polaris, about five times
/// their distance, and through the Southern Cross's long axis to the south pole, about four and a half times its
/// length.
#[test]
fn hops_of_the_handbooks() {
    let hop = |latitude: f64, longitude: f64, utc: &str, from: u32, through: u32| {
        let site = Site::new(latitude, longitude, 0.0).expect("a site");
        let at: Instant = utc.parse().expect("an instant");
        let observer = Observer::new(&site, at, EarthOrientation::default()).expect("held");
        let hops = nightloom_sky::pole_hops(&observer, 3);
        let found = hops
            .iter()
            .find(|h| h.from.hip == from && h.through.hip == through);
        found.cloned().unwrap_or_else(|| panic!("{hops:?}"))
    };
    let north = hop(50.0, 10.0, "2026-04-15T21:00:00Z", 53_910, 54_061);
    assert!((4.5..5.7).contains(&north.times), "{north:?}");
    assert!(north.passes.deg() < 2.0 && north.through.name == "Dubhe" && north.through.altitude.deg() > 60.0);
    let south = hop(-40.0, 170.0, "2026-05-15T10:00:00Z", 61_084, 60_718);
    assert!((4.0..5.2).contains(&south.times), "{south:?}");
    assert!(south.passes.deg() < 3.5 && south.through.name == "Acrux");
}
