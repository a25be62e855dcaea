use nalgebra::{Matrix3, Vector3};
use nightloom_sky::{Angle, Instant, Site, moon, moon_illuminated_fraction, sun};

/// TT − UTC in 1992, seconds: both examples are for 0h TD.
const TT_MINUS_UTC_1992: f64 = 59.184;

fn at_zero_td(day: &str) -> Instant {
    let midnight: Instant = format!("{day}T00:00:00Z").parse().expect("an instant");
    // The later step of July 1992 is in the October value only.
    midnight.plus_seconds(-if day < "1992-07" {
        TT_MINUS_UTC_1992 - 1.0
    } else {
        TT_MINUS_UTC_1992
    })
}

fn rotated(rows: [[f64; 3]; 3], v: Vector3<f64>) -> Vector3<f64> {
    Matrix3::from_fn(|r, c| rows[r][c]) * v
}

fn spherical_deg(v: &Vector3<f64>) -> (f64, f64) {
    (
        Angle::from_rad(v.y.atan2(v.x)).wrapped_360().deg(),
        v.z.asin().to_degrees(),
    )
}

/// Meeus 1998, example 25.b: the sun's apparent place of date, 13h13m30.749s, −7°47′01.74″.
#[test]
fn meeus_25_sun() {
    const TOLERANCE_ARCSEC: f64 = 1.0;
    let instant = at_zero_td("1992-10-13");
    let (tt, fraction) = instant.julian_date_tt();
    let of_date = rotated(
        sofars::pnp::pnm06a(tt, fraction),
        sun(instant).expect("held").direction.into_inner(),
    );
    let (ra, dec) = spherical_deg(&of_date);
    let expected = (
        (13.0 + 13.0 / 60.0 + 30.749 / 3600.0) * 15.0,
        -(7.0 + 47.0 / 60.0 + 1.74 / 3600.0),
    );
    assert!(
        (ra - expected.0).abs() * 3600.0 < TOLERANCE_ARCSEC,
        "{ra}°, expected {}°",
        expected.0
    );
    assert!(
        (dec - expected.1).abs() * 3600.0 < TOLERANCE_ARCSEC,
        "{dec}°, expected {}°",
        expected.1
    );
}

/// Meeus 1998, examples 47.a and 48.a: λ 133.162655°, β −3.229126° (mean equinox of date),
/// Δ 368 409.7 km; lit fraction 0.6786.
#[test]
fn meeus_47_moon() {
    const TOLERANCE_ARCSEC: f64 = 10.0;
    const TOLERANCE_KM: f64 = 10.0;
    const TOLERANCE_FRACTION: f64 = 0.0005;
    let instant = at_zero_td("1992-04-12");
    let (tt, fraction) = instant.julian_date_tt();
    let body = moon(instant, None).expect("held");
    let ecliptic = rotated(sofars::coords::ecm06(tt, fraction), body.direction.into_inner());
    let (longitude, latitude) = spherical_deg(&ecliptic);
    assert!(
        (longitude - 133.162_655).abs() * 3600.0 < TOLERANCE_ARCSEC,
        "{longitude}°"
    );
    assert!(
        (latitude + 3.229_126).abs() * 3600.0 < TOLERANCE_ARCSEC,
        "{latitude}°"
    );
    assert!(
        (body.distance_km - 368_409.7).abs() < TOLERANCE_KM,
        "{} km",
        body.distance_km
    );
    let lit = moon_illuminated_fraction(instant).expect("held");
    assert!((lit - 0.6786).abs() < TOLERANCE_FRACTION, "{lit}");
}

/// Published phases of 2024: new moon April 8 18:21, first quarter April 15 19:13, full moon April 23 23:49 UT, the
/// moments when the apparent geocentric longitudes of moon and sun differ by 0°, 90° and 180°.
#[test]
fn phases_of_april_2024() {
    /// Half a minute, as the times are to the minute, of 0.0085° to 0.01° a minute.
    const TOLERANCE_DEG: f64 = 0.005;
    let phases = [
        ("2024-04-08T18:21:00Z", 0.0, 0.0),
        ("2024-04-15T19:13:00Z", 90.0, 0.5),
        ("2024-04-23T23:49:00Z", 180.0, 1.0),
    ];
    for (utc, expected, lit) in phases {
        let instant: Instant = utc.parse().expect("an instant");
        let (tt, fraction) = instant.julian_date_tt();
        let longitude = |direction: nalgebra::UnitVector3<f64>| {
            spherical_deg(&rotated(
                sofars::coords::ecm06(tt, fraction),
                direction.into_inner(),
            ))
            .0
        };
        let moon = moon(instant, None).expect("held").direction;
        let sun = sun(instant).expect("held").direction;
        let ahead = longitude(moon) - longitude(sun);
        let off = (ahead - expected + 180.0).rem_euclid(360.0) - 180.0;
        assert!(off.abs() < TOLERANCE_DEG, "{utc}: {ahead}°");
        let found = moon_illuminated_fraction(instant).expect("held");
        assert!((found - lit).abs() < 0.003, "{utc}: {found}");
    }
}

/// 20 November 2024, 20:00 UTC at 45.42° N 24.10° E, 1240 m: azimuth 64.7°, altitude 7.7° by astropy 8.0.2
/// (`get_body`, no air), rounded to 0.1°.
#[test]
fn moon_from_a_site() {
    const TOLERANCE_DEG: f64 = 0.06;
    let site = Site {
        latitude: Angle::from_deg(45.42),
        longitude: Angle::from_deg(24.10),
        elevation_m: 1240.0,
    };
    let instant = "2024-11-20T20:00:00Z".parse().expect("an instant");
    let ground =
        site.ground_from_icrs(instant) * moon(instant, Some(&site)).expect("held").direction.into_inner();
    let azimuth = ground.x.atan2(ground.y).to_degrees();
    assert!((azimuth - 64.7).abs() < TOLERANCE_DEG, "{azimuth}°");
    let altitude = ground.z.asin().to_degrees();
    assert!((altitude - 7.7).abs() < TOLERANCE_DEG, "{altitude}°");
}
