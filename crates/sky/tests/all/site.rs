use nalgebra::Vector3;
use nightloom_sky::{Angle, Instant, Site};

use crate::table::rows;

/// Against the equinox-based route of pyerfa, arcseconds.
const SAME_MODEL_ARCSEC: f64 = 0.001;
/// Against astropy with aberration (20.5″) and the real UT1 (0.9 s, 13.5″), arcseconds.
const ABERRATION_AND_UT1_ARCSEC: f64 = 35.0;

fn spherical(azimuth_deg: f64, altitude_deg: f64) -> Vector3<f64> {
    let (sin_az, cos_az) = azimuth_deg.to_radians().sin_cos();
    let (sin_alt, cos_alt) = altitude_deg.to_radians().sin_cos();
    Vector3::new(cos_alt * sin_az, cos_alt * cos_az, sin_alt)
}

fn apart_arcsec(a: &Vector3<f64>, b: &Vector3<f64>) -> f64 {
    Angle::from_rad(a.cross(b).norm().atan2(a.dot(b))).arcsec()
}

#[test]
fn directions_agree_with_pyerfa_and_astropy() {
    let table = rows(include_str!("../reference/ground.csv"));
    assert_eq!(table.len(), 40);
    for (utc, row) in table {
        let instant: Instant = utc.parse().expect("an instant");
        let site = Site {
            latitude: Angle::from_deg(row[0]),
            longitude: Angle::from_deg(row[1]),
            elevation_m: 0.0,
        };
        let (ra, dec) = (row[2].to_radians(), row[3].to_radians());
        let icrs = Vector3::new(dec.cos() * ra.cos(), dec.cos() * ra.sin(), dec.sin());
        let found = site.ground_from_icrs(instant) * icrs;
        let off = apart_arcsec(&found, &spherical(row[4], row[5]));
        assert!(off < SAME_MODEL_ARCSEC, "{utc}: {off}″ from pyerfa");
        let off = apart_arcsec(&found, &spherical(row[6], row[7]));
        assert!(off < ABERRATION_AND_UT1_ARCSEC, "{utc}: {off}″ from astropy");
    }
}

/// Meeus 1998, example 12.a, 1987 April 10, 0h UT: apparent sidereal time at Greenwich 13h10m46.1351s (mean
/// 197.693195°): the right ascension of date that stands over the equator there.
#[test]
fn meeus_12a() {
    // His nutation and sidereal time are those of 1980; UT1 is taken as UTC only in the nutation.
    const TOLERANCE_ARCSEC: f64 = 0.3;
    let site = Site {
        latitude: Angle::from_deg(0.0),
        longitude: Angle::from_deg(0.0),
        elevation_m: 0.0,
    };
    let instant: Instant = "1987-04-10T00:00:00Z".parse().expect("an instant");
    let (tt, fraction) = instant.julian_date_tt();
    let rows = sofars::pnp::pnm06a(tt, fraction);
    let overhead = site.ground_from_icrs(instant).inverse() * Vector3::z();
    let of_date = nalgebra::Matrix3::from_fn(|r, c| rows[r][c]) * overhead;
    let found = Angle::from_rad(of_date.y.atan2(of_date.x)).wrapped_360();
    let expected = Angle::from_deg((13.0 + 10.0 / 60.0 + 46.1351 / 3600.0) * 15.0);
    let off = (found - expected).arcsec();
    assert!(off.abs() < TOLERANCE_ARCSEC, "{off}″");
    let mean = sofars::erst::gmst06(
        instant.julian_date_utc().0,
        instant.julian_date_utc().1,
        tt,
        fraction,
    );
    assert!((mean.to_degrees() - 197.693_195).abs() * 3600.0 < TOLERANCE_ARCSEC);
}

/// Meeus 1998, example 13.b, Venus from Washington: azimuth 248.0337° from north, altitude 15.1249°. His
/// place is of date (apparent), which is brought to ICRS first; his sidereal time is apparent.
#[test]
fn meeus_13b() {
    const TOLERANCE_ARCSEC: f64 = 2.0;
    let site = Site {
        latitude: Angle::from_deg(38.921_389),
        longitude: Angle::from_deg(-77.065_556),
        elevation_m: 0.0,
    };
    let instant: Instant = "1987-04-10T19:21:00Z".parse().expect("an instant");
    let (tt, fraction) = instant.julian_date_tt();
    let rows = sofars::pnp::pnm06a(tt, fraction);
    let (ra, dec) = (347.319_337_5f64.to_radians(), (-6.719_892f64).to_radians());
    let of_date = Vector3::new(dec.cos() * ra.cos(), dec.cos() * ra.sin(), dec.sin());
    let icrs = nalgebra::Matrix3::from_fn(|r, c| rows[c][r]) * of_date;
    let found = site.ground_from_icrs(instant) * icrs;
    let off = apart_arcsec(&found, &spherical(248.0337, 15.1249));
    assert!(off < TOLERANCE_ARCSEC, "{off}″");
}

#[test]
fn cardinal_directions() {
    let site = Site {
        latitude: Angle::from_deg(0.0),
        longitude: Angle::from_deg(0.0),
        elevation_m: 0.0,
    };
    let rotation = site.ground_from_icrs("2000-01-01T12:00:00Z".parse().expect("an instant"));
    // The pole stands on the northern horizon of the equator.
    let pole = rotation * Vector3::z();
    assert!(apart_arcsec(&pole, &Vector3::y()) < 30.0);
    // Six hours later what stood in the east stands overhead.
    let east = rotation.inverse() * Vector3::x();
    let later = site.ground_from_icrs("2000-01-01T17:59:00.99Z".parse().expect("an instant")) * east;
    assert!(apart_arcsec(&later, &Vector3::z()) < 30.0);
}
