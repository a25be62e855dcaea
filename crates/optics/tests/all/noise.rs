//! Rates, limits and signal-to-noise against the trade's figures and second routes.

use nightloom_optics::noise::{
    BEST_RADIUS, Collected, LightPath, PixelBackground, READ_NOISE_SHARE, ZERO_POINT_V, choices,
    signal_to_noise, sky_e_per_s, sky_limited_s, star_e_per_s,
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

/// Electrons per second of a made-up night.
const NIGHT: PixelBackground = PixelBackground {
    sky_e_per_s: 1.36,
    dark_e_per_s: 0.1,
    read_noise_e: 2.0,
};

#[test]
fn signal_to_noise_is_the_textbook_sum() {
    // √n·O·t/√((O+P+D)t+R²), worked by hand: O 0.2, t 60, n 12: 0.2·60·√12/√(1.66·60+4).
    let subject = Collected::Extended { e_per_s: 0.2 };
    let got = signal_to_noise(&subject, &NIGHT, 60.0, 12).unwrap();
    let want = 0.2 * 60.0 * 12f64.sqrt() / (1.66f64 * 60.0 + 4.0).sqrt();
    assert!((got.ratio / want - 1.0).abs() < 1e-12, "{got:?}");
    let s = got.shares;
    assert!((s.subject + s.sky + s.dark + s.read - 1.0).abs() < 1e-12);
    assert!((s.read - 4.0 / (1.66 * 60.0 + 4.0)).abs() < 1e-12);
}

#[test]
fn read_noise_adds_five_per_cent_at_the_sky_limited_exposure() {
    let sky_only = PixelBackground {
        dark_e_per_s: 0.0,
        ..NIGHT
    };
    let seconds = sky_limited_s(1.36, 2.0, READ_NOISE_SHARE).unwrap();
    let none = Collected::Extended { e_per_s: 0.0 };
    let made = choices(&none, &sky_only, 3600.0, 0.0, &[seconds]).unwrap();
    assert!((made[0].read_noise_adds - 0.05).abs() < 1e-9, "{made:?}");
}

#[test]
fn the_aperture_of_a_star_is_the_best_one() {
    // 0.673 full widths (1.585 σ) is where Σ light/√area peaks, and it holds 71.5 % of the light.
    let ratio = |radius_px: f64| {
        let star = Collected::Star {
            e_per_s: 1e-3,
            fwhm_px: 2.5,
            radius_px,
        };
        signal_to_noise(&star, &NIGHT, 60.0, 1).unwrap()
    };
    let best = ratio(BEST_RADIUS * 2.5);
    assert!((best.signal_e / (1e-3 * 60.0) - 0.7153).abs() < 5e-4, "{best:?}");
    for other in [0.6, 0.65, 0.7, 0.75] {
        assert!(ratio(other * 2.5).ratio < best.ratio);
    }
}

#[test]
fn choices_of_equal_time_stand_side_by_side() {
    let subject = Collected::Extended { e_per_s: 0.2 };
    let made = choices(&subject, &NIGHT, 3600.0, 5.0, &[10.0, 60.0, 240.0, 5000.0]).unwrap();
    let frames: Vec<u32> = made.iter().map(|c| c.frames).collect();
    assert_eq!(frames, [240, 55, 14, 0]);
    for c in &made[..3] {
        assert!(
            c.used_s <= 3600.0 && c.used_s + c.exposure_s + 5.0 > 3600.0,
            "{c:?}"
        );
        let same = signal_to_noise(&subject, &NIGHT, c.exposure_s, c.frames).unwrap();
        assert!((c.signal_to_noise / same.ratio - 1.0).abs() < 1e-12);
        assert!(c.efficiency > 0.0 && c.efficiency < 1.0);
    }
    assert!(made[0].signal_to_noise < made[1].signal_to_noise);
    assert_eq!(made[3].signal_to_noise, 0.0);
    // Exactly as many as fit, the last one without a pause.
    let exact = choices(&subject, &NIGHT, 12.0 * 60.0 + 11.0 * 5.0, 5.0, &[60.0]).unwrap();
    assert_eq!(exact[0].frames, 12);
}

#[test]
fn noise_refuses_what_cannot_be() {
    let subject = Collected::Extended { e_per_s: 0.2 };
    assert!(signal_to_noise(&subject, &NIGHT, 0.0, 1).is_err());
    let said = signal_to_noise(&subject, &NIGHT, 60.0, 0)
        .unwrap_err()
        .to_string();
    assert_eq!(
        said,
        "the number of frames must be a number above zero, for example 12; 0 was given"
    );
    assert!(signal_to_noise(&Collected::star(100.0, -1.0), &NIGHT, 60.0, 1).is_err());
    assert!(choices(&subject, &NIGHT, -1.0, 0.0, &[60.0]).is_err());
}
