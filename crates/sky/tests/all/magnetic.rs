//! Declination against the test values published with the World Magnetic Model.

use nightloom_sky::Instant;
use nightloom_sky::magnetic::{MagneticError, declination};

/// The values are published to 0.01°.
const PUBLISHED_DEG: f64 = 0.0051;

/// Year, height in km, latitude, longitude, declination in degrees: WMM2020_TEST_VALUES (NOAA NCEI; the
/// same in table 3 of the technical report for 2020).
const WMM2020: [(f64, f64, f64, f64, f64); 12] = [
    (2020.0, 0.0, 80.0, 0.0, -1.28),
    (2020.0, 0.0, 0.0, 120.0, 0.16),
    (2020.0, 0.0, -80.0, 240.0, 69.36),
    (2020.0, 100.0, 80.0, 0.0, -1.70),
    (2020.0, 100.0, 0.0, 120.0, 0.16),
    (2020.0, 100.0, -80.0, 240.0, 68.78),
    (2022.5, 0.0, 80.0, 0.0, 0.01),
    (2022.5, 0.0, 0.0, 120.0, -0.06),
    (2022.5, 0.0, -80.0, 240.0, 69.13),
    (2022.5, 100.0, 80.0, 0.0, -0.41),
    (2022.5, 100.0, 0.0, 120.0, -0.05),
    (2022.5, 100.0, -80.0, 240.0, 68.55),
];

/// WMM2025_TEST_VALUES (NOAA NCEI; table 6 of the technical report for 2025).
const WMM2025: [(f64, f64, f64, f64, f64); 12] = [
    (2025.0, 0.0, 80.0, 0.0, 1.28),
    (2025.0, 0.0, 0.0, 120.0, -0.16),
    (2025.0, 0.0, -80.0, 240.0, 68.78),
    (2025.0, 100.0, 80.0, 0.0, 0.85),
    (2025.0, 100.0, 0.0, 120.0, -0.15),
    (2025.0, 100.0, -80.0, 240.0, 68.21),
    (2027.5, 0.0, 80.0, 0.0, 2.59),
    (2027.5, 0.0, 0.0, 120.0, -0.24),
    (2027.5, 0.0, -80.0, 240.0, 68.49),
    (2027.5, 100.0, 80.0, 0.0, 2.16),
    (2027.5, 100.0, 0.0, 120.0, -0.23),
    (2027.5, 100.0, -80.0, 240.0, 67.93),
];

/// Whole and half years only: 2 July noon is the middle of a common year.
fn instant(year: f64) -> Instant {
    let day = if year.fract() == 0.0 {
        "01-01T00"
    } else {
        "07-02T12"
    };
    format!("{}-{day}:00:00Z", year as i32)
        .parse()
        .expect("an instant")
}

#[test]
fn declination_agrees_with_the_published_test_values() {
    for (name, table) in [("WMM2020", WMM2020), ("WMM2025", WMM2025)] {
        for (year, km, lat, lon, published) in table {
            let found = declination(lat, lon, km * 1000.0, instant(year)).expect("a declination");
            assert_eq!(found.model, name);
            let off = (found.angle.deg() - published).abs();
            assert!(
                off < PUBLISHED_DEG,
                "{year} {km} km {lat} {lon}: {:?}",
                found.angle.deg()
            );
        }
    }
}

/// The report's error model: √(0.26² + (5417/H)²); at 80° N, 0° E in 2025 H is 6523 nT.
#[test]
fn the_uncertainty_grows_where_the_field_is_steep() {
    let at = |lat: f64, lon: f64| declination(lat, lon, 0.0, instant(2025.0)).expect("a declination");
    let found = at(80.0, 0.0).uncertainty.deg();
    assert!((found - 0.26f64.hypot(5417.0 / 6523.2)).abs() < 1e-4, "{found}");
    assert!(!at(46.0, 8.0).unreliable);
    // The magnetic pole in the north lies near 85.8° N, 139.3° E in 2025 (NOAA).
    assert!(at(85.8, 139.3).unreliable);
    assert!(at(90.0, 0.0).angle.deg().is_finite());
}

#[test]
fn outside_its_years_it_is_refused() {
    for text in [
        "2019-12-31T23:59:59Z",
        "2030-01-01T00:00:00Z",
        "1995-06-01T00:00:00Z",
    ] {
        let error = declination(46.0, 8.0, 0.0, text.parse().expect("an instant")).unwrap_err();
        assert!(matches!(error, MagneticError::Date { .. }));
        assert!(error.to_string().contains("2029"), "{error}");
    }
    for text in ["2020-01-01T00:00:00Z", "2029-12-31T23:59:59Z"] {
        assert!(declination(46.0, 8.0, 0.0, text.parse().expect("an instant")).is_ok());
    }
    let error = declination(96.0, 8.0, 0.0, instant(2026.0)).unwrap_err();
    assert!(matches!(error, MagneticError::Place { .. }));
}
