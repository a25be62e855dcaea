//! Rates, limits and signal-to-noise against the trade's figures and second routes.

use nightloom_optics::noise::{
    LightPath, READ_NOISE_SHARE, ZERO_POINT_V, sky_e_per_s, sky_limited_s, star_e_per_s,
};

const WIDE: LightPath = LightPath {
    f_number: 2.8,
    pitch_um: 5.95,
    qe: 0.5,
    transmission: 0.8,
};

/// The trade's figures are written to two decimals.
const RATE_E: f64 = 0.005;
/// And the exposures as “about” so many seconds.
const LIMIT_S: f64 = 1.0;

#[test]
fn the_sky_gives_the_electrons_and_the_limits_that_the_trade_computes() {
    for (mag, rate, limit) in [(21.5, 1.36, 29.0), (22.0, 0.86, 46.0)] {
        let got = sky_e_per_s(mag, &WIDE).unwrap();
        assert!((got - rate).abs() < RATE_E, "{got} for {rate}");
        let got = sky_limited_s(got, 2.0, READ_NOISE_SHARE).unwrap();
        assert!((got - limit).abs() < LIMIT_S, "{got} for {limit}");
    }
    let unit = sky_limited_s(1.0, 1.0, READ_NOISE_SHARE).unwrap();
    assert!((unit - 9.76).abs() < 0.005, "{unit}");
}

#[test]
fn the_zero_point_agrees_with_janskys_and_plancks_constant() {
    // 3640 Jy (Bessell 1979, PASP 91, 589), Δλ/λ = 0.16, h exact by definition (SI 2019).
    let per_m2 = 3640e-26 * 0.16 / 6.626_070_15e-34;
    let share = ZERO_POINT_V / (per_m2 * 1e-4);
    assert!((share - 1.0).abs() < 0.03, "{share}");
}

#[test]
fn a_star_spread_over_one_square_arcsecond_is_a_sky_of_its_magnitude() {
    // At 206.265 mm a pixel of 1 µm is one arcsecond wide, whatever the magnitude.
    let path = LightPath {
        pitch_um: 1.0,
        ..WIDE
    };
    let star = star_e_per_s(12.3, 206.265, &path).unwrap();
    let sky = sky_e_per_s(12.3, &path).unwrap();
    assert!((star / sky - 1.0).abs() < 1e-9, "{star} {sky}");
}

#[test]
fn what_cannot_be_is_refused_in_a_sentence_with_an_example() {
    let bad = LightPath {
        f_number: 0.0,
        ..WIDE
    };
    let said = sky_e_per_s(21.5, &bad).unwrap_err().to_string();
    assert_eq!(
        said,
        "the f-number must be a number above zero, for example 2.8; 0 was given"
    );
    let bad = LightPath { qe: 80.0, ..WIDE };
    let said = sky_e_per_s(21.5, &bad).unwrap_err().to_string();
    assert!(
        said.contains("above 0 and at most 1") && said.contains("80"),
        "{said}"
    );
    assert!(sky_e_per_s(f64::NAN, &WIDE).is_err());
    assert!(sky_limited_s(0.0, 2.0, 0.05).is_err());
    assert!(sky_limited_s(1.0, -2.0, 0.05).is_err());
    assert!(star_e_per_s(5.0, 0.0, &WIDE).is_err());
}
