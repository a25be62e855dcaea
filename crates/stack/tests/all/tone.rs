use nightloom_raster::colour::srgb_decode;
use nightloom_stack::{ToneCurve, ToneSettings};

#[test]
fn the_sky_comes_out_where_it_was_asked() {
    const TOLERANCE: f32 = 0.003;
    for (sky, noise) in [(0.01, 0.001), (0.05, 0.002), (0.2, 0.004)] {
        for target in [0.12, 0.16, 0.2] {
            let curve = ToneCurve::from_statistics([sky; 3], [noise; 3], target, 1.0);
            let out = curve.apply([sky; 3]);
            assert!((out[1] - target).abs() < TOLERANCE, "{sky}: {out:?} for {target}");
            let ridge = curve.apply([0.4 * sky; 3])[1];
            assert!(
                ridge > 0.0 && ridge < target,
                "a ridge at 0.4 of the sky is shown at {ridge}"
            );
            let white = curve.settings().white;
            assert!(
                white < 1.4 && (curve.apply([white; 3])[1] - 1.0).abs() < 1e-3,
                "white at {white}"
            );
        }
    }
}

#[test]
fn brightness_never_turns_round() {
    let curve = ToneCurve::from_statistics([0.05; 3], [0.002; 3], 0.15, 1.0);
    let mut last = [-1.0; 3];
    for k in 0..2000 {
        let v = k as f32 * 1e-3;
        let out = curve.apply([v, 0.8 * v, 0.6 * v]);
        assert!(out.iter().all(|o| (0.0..=1.0).contains(o)));
        // Green is near luminance and must rise; the others may give way to white at the top.
        assert!(out[1] >= last[1] - 1e-5, "{v}: {out:?} after {last:?}");
        last = out;
    }
}

#[test]
fn colour_ratios_stay_below_the_shoulder() {
    const TOLERANCE: f32 = 0.002;
    let curve = ToneCurve::new(ToneSettings {
        stretch: 40.0,
        ..Default::default()
    });
    for scale in [0.001, 0.01, 0.05] {
        let out = curve
            .apply([0.8 * scale, 1.0 * scale, 1.2 * scale])
            .map(srgb_decode);
        assert!(
            (out[0] / out[1] - 0.8).abs() < TOLERANCE && (out[2] / out[1] - 1.2).abs() < TOLERANCE,
            "{out:?}"
        );
    }
}

/// An orange star ten times too bright: it goes towards white and does not turn yellow: red stays
/// above green, green above blue, and the hue's ratio (g−b)/(r−b) is kept.
#[test]
fn a_burnt_star_loses_saturation_but_not_hue() {
    const TOLERANCE: f32 = 0.02;
    let curve = ToneCurve::new(ToneSettings {
        stretch: 20.0,
        ..Default::default()
    });
    let hue = |[r, g, b]: [f32; 3]| (g - b) / (r - b);
    let faint = curve.apply([0.01, 0.006, 0.002]).map(srgb_decode);
    let bright = curve.apply([1.5, 0.9, 0.3]).map(srgb_decode);
    assert!(bright[0] > bright[1] && bright[1] > bright[2], "{bright:?}");
    assert!(
        (hue(bright) - hue(faint)).abs() < TOLERANCE,
        "{faint:?} and {bright:?}"
    );
}

#[test]
fn impossible_settings_do_no_harm() {
    for settings in [
        ToneSettings {
            white: -1.0,
            ..Default::default()
        },
        ToneSettings {
            stretch: -3.0,
            ..Default::default()
        },
        ToneSettings {
            black: [2.0; 3],
            ..Default::default()
        },
    ] {
        let out = ToneCurve::new(settings).apply([0.5, 0.1, f32::NAN]);
        assert!(
            out.iter().all(|v| v.is_nan() || (0.0..=1.0).contains(v)),
            "{out:?}"
        );
    }
    let curve = ToneCurve::from_statistics([0.0; 3], [0.0; 3], 0.15, 1.0);
    assert!(curve.apply([0.1; 3]).iter().all(|v| v.is_finite()));
}
