//! Sensors: the built-in kinds, ISO and temperature, and photon transfer on published numbers.

use nightloom_optics::sensor::{
    DarkLevel, IsoFigures, Measured, Sensor, TransferError, TransferPoint, TransferSettings, classes,
    dark_current, in_electrons, iso_effect, photon_transfer,
};

fn point(level_dn: f64, variance_dn2: f64, samples: usize) -> TransferPoint {
    TransferPoint {
        level_dn,
        variance_dn2,
        samples,
    }
}

/// The paper gives the gain to three decimals.
const GAIN: f64 = 0.001;

#[test]
fn a_published_worked_example_of_mean_and_variance_comes_out() {
    // “Single-Point Mean Variance Calculator”, a camera maker's white paper: bias 488.9, frames of
    // 11 070.8 and 11 118.2, standard deviation of their difference 83.6; gain 3.035 e⁻/DN. It neglects
    // the read noise, so the unlit point stands at next to none.
    let level = 0.5 * (11_070.8 + 11_118.2) - 488.9;
    let lit = [point(level, 0.5 * 83.6f64.powi(2), 1_000_000)];
    let unlit = [point(0.0, 0.25, 1_000_000)];
    let found = photon_transfer(&lit, &unlit, 65_535.0, &TransferSettings::default()).unwrap();
    assert!((found.gain_e_per_dn.value - 3.035).abs() < GAIN, "{found:?}");
}

#[test]
fn an_exact_line_gives_back_the_sensor() {
    // σ² = R²/g² + 1/12 + S/g.
    let (gain, read) = (0.8, 2.5);
    let variance = |s: f64| (read / gain * read / gain) + 1.0 / 12.0 + s / gain;
    let lit: Vec<_> = [300.0, 2000.0, 8000.0]
        .map(|s| point(s, variance(s), 50_000))
        .into();
    let unlit = [point(0.0, variance(0.0), 100_000)];
    let found = photon_transfer(&lit, &unlit, 15_000.0, &TransferSettings::default()).unwrap();
    assert!((found.gain_e_per_dn.value - gain).abs() < 1e-9);
    assert!((found.read_noise_e.value - read).abs() < 1e-9 && !found.read_noise_hidden);
    assert!((found.full_well_e.value - 12_000.0).abs() < 1e-5);
    // 8000 of 15 000 counts; one above 70 % would not.
    let bent = [lit, vec![point(11_000.0, 1.0, 50_000)]].concat();
    let same = photon_transfer(&bent, &unlit, 15_000.0, &TransferSettings::default()).unwrap();
    assert_eq!(same.gain_e_per_dn, found.gain_e_per_dn);
}

#[test]
fn what_is_missing_or_no_flat_is_said() {
    let settings = TransferSettings::default();
    let unlit = [point(0.0, 4.0, 1000)];
    let said = photon_transfer(&[], &unlit, 15_000.0, &settings).unwrap_err();
    assert!(matches!(said, TransferError::TooFew { lit: 0, unlit: 1, .. }));
    assert!(
        said.to_string().contains("two darks or biases and two flats"),
        "{said}"
    );
    // Frames denoised in the camera: no more noise than in the dark.
    let said = photon_transfer(&[point(5000.0, 4.0, 1000)], &unlit, 15_000.0, &settings).unwrap_err();
    assert!(matches!(said, TransferError::NoSlope { .. }), "{said}");
}

#[test]
fn noise_below_the_rounding_is_called_hidden() {
    let lit = [point(2500.0, 100.0, 100_000)];
    let unlit = [point(0.0, 0.1, 100_000)];
    let found = photon_transfer(&lit, &unlit, 4000.0, &TransferSettings::default()).unwrap();
    assert!(found.read_noise_hidden, "{found:?}");
}

#[test]
fn dark_current_is_the_slope_and_scatter_between_frames_widens_its_error() {
    let frame = |exposure_s: f64, level_dn: f64| DarkLevel {
        exposure_s,
        level_dn,
        error_dn: 0.01,
    };
    let steady = [
        frame(0.0, 1.0),
        frame(0.0, 1.0),
        frame(60.0, 4.0),
        frame(120.0, 7.0),
    ];
    let found = dark_current(&steady).unwrap();
    assert!((found.rate_dn_per_s.value - 0.05).abs() < 1e-12 && !found.wanders);
    assert!((found.zero_dn.value - 1.0).abs() < 1e-12);
    let wandering = [
        frame(0.0, 0.8),
        frame(0.0, 1.2),
        frame(60.0, 4.1),
        frame(120.0, 6.8),
    ];
    let wide = dark_current(&wandering).unwrap();
    assert!(wide.wanders && wide.rate_dn_per_s.error > 5.0 * found.rate_dn_per_s.error);
    assert!(dark_current(&[frame(60.0, 4.0), frame(60.0, 4.1)]).is_none());
    let gain = Measured {
        value: 2.0,
        error: 0.02,
    };
    let electrons = in_electrons(found.rate_dn_per_s, gain);
    assert!((electrons.value - 0.1).abs() < 1e-12 && electrons.error > 0.001);
}

#[test]
fn the_built_in_kinds_are_sound_and_like_their_names() {
    let all = classes();
    assert!(all.len() >= 5);
    for sensor in &all {
        sensor.check().unwrap();
        let [w, h] = sensor.size_px.map(f64::from);
        assert!((2.0..10.0).contains(&sensor.pitch_um), "{sensor:?}");
        // The megapixels in the name.
        let named: f64 = sensor
            .name
            .split(' ')
            .find_map(|word| word.parse::<f64>().ok().filter(|n| *n > 10.0))
            .unwrap();
        assert!(
            (w * h / 1e6 - named).abs() < 1.0,
            "{}: {}",
            sensor.name,
            w * h / 1e6
        );
        // Between 1 and 4 thousand electrons per square micrometre: common practice, no source.
        let density = sensor.isos[0].full_well_e / sensor.pitch_um.powi(2);
        assert!((900.0..4000.0).contains(&density), "{}: {density}", sensor.name);
    }
    let full = all.iter().find(|s| s.name.starts_with("full-frame 24")).unwrap();
    assert!((full.pitch_um - 5.98).abs() < 0.01);
}

fn simple() -> Sensor {
    let figures = |iso: f64, read_noise_e: f64| IsoFigures {
        iso,
        gain_e_per_dn: 400.0 / iso,
        read_noise_e,
        full_well_e: 64_000.0 * 100.0 / iso,
    };
    Sensor {
        name: "made up".into(),
        pitch_um: 6.0,
        size_px: [6000, 4000],
        qe: 0.5,
        bits: 14,
        isos: vec![figures(100.0, 8.0), figures(1600.0, 2.0)],
        dark_e_per_s: 0.1,
        dark_at_c: 20.0,
        doubling_c: 6.0,
    }
}

#[test]
fn figures_between_settings() {
    let sensor = simple();
    let middle = sensor.at_iso(400.0).unwrap();
    assert!((middle.read_noise_e - 4.0).abs() < 1e-12 && (middle.gain_e_per_dn - 1.0).abs() < 1e-12);
    assert!((middle.full_well_e - 16_000.0).abs() < 1e-6);
    let high = sensor.at_iso(6400.0).unwrap();
    assert!((high.full_well_e - 1000.0).abs() < 1e-9 && high.read_noise_e == 2.0);
    assert!(sensor.at_iso(0.0).is_err());
    let empty = Sensor {
        isos: Vec::new(),
        ..simple()
    };
    assert!(empty.at_iso(800.0).is_err() && empty.check().is_err());
}

#[test]
fn iso_moves_read_noise_and_headroom_and_catches_no_light() {
    let effect = iso_effect(&simple(), 100.0, 1600.0, 1.36).unwrap();
    assert_eq!(effect.read_noise_e, [8.0, 2.0]);
    assert!((effect.headroom_lost_stops - 4.0).abs() < 1e-12);
    // Four stops of well lost, two of read noise won back.
    assert!((effect.dynamic_range_lost_stops - 2.0).abs() < 1e-12);
    assert!((effect.sky_limited_s[0] / effect.sky_limited_s[1] - 16.0).abs() < 1e-9);
    assert_eq!(
        effect.said,
        "From ISO 100 to ISO 1600 the read noise falls from 8.0 to 2.0 e⁻ and stars burn out 4.0 stops \
         sooner; the light caught, and with it the noise of sky and stars, stays the same."
    );
}
