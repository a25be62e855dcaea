use nightloom_raster::colour::srgb_decode;
use nightloom_stack::{SceneStatistics, ToneCurve, ToneSettings, ToneTable};

fn scene(sky: f32, noise: f32, target: f32) -> SceneStatistics {
    SceneStatistics {
        sky_level: [sky; 3],
        sky_noise: [noise; 3],
        land_dark: None,
        land_median: None,
        target,
        white: 1.0,
    }
}

#[test]
fn the_sky_comes_out_where_it_was_asked() {
    const TOLERANCE: f32 = 0.003;
    for (sky, noise) in [(0.01, 0.001), (0.05, 0.002), (0.2, 0.004)] {
        for target in [0.12, 0.16, 0.2] {
            let curve = ToneCurve::from_statistics(&scene(sky, noise, target));
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
    let curve = ToneCurve::from_statistics(&scene(0.05, 0.002, 0.15));
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
    let curve = ToneCurve::from_statistics(&scene(0.0, 0.0, 0.15));
    assert!(curve.apply([0.1; 3]).iter().all(|v| v.is_finite()));
}

/// Forest at a tenth of the sky's level, moonlit snow at five times it: neither is lost.
#[test]
fn dark_land_stays_readable_and_bright_land_below_white() {
    /// Of an 8-bit picture: what tells a dark tone from black on a dim screen (common practice, no source).
    const READABLE: f32 = 5.0 / 255.0;
    for sky in [0.005, 0.02, 0.08] {
        let statistics = SceneStatistics {
            land_dark: Some(0.1 * sky),
            land_median: Some(0.5 * sky),
            ..scene(sky, 0.04 * sky, 0.2)
        };
        let curve = ToneCurve::from_statistics(&statistics);
        let shown = |v: f32| curve.apply([v; 3])[1];
        let black = curve.settings().black[0];
        assert!(
            black <= 0.08 * sky && black <= 0.1 * sky,
            "{sky}: black at {black}"
        );
        assert!(
            shown(0.15 * sky) - shown(0.1 * sky) > READABLE / 2.0 && shown(0.15 * sky) > READABLE,
            "{sky}: dark land at {} and {}",
            shown(0.1 * sky),
            shown(0.15 * sky)
        );
        assert!(shown(5.0 * sky) < 0.9, "{sky}: snow at {}", shown(5.0 * sky));
        // Light half as bright again as the sky, as the Milky Way's, stands out.
        assert!(shown(1.5 * sky) > 1.3 * shown(sky), "{sky}: {}", shown(1.5 * sky));
        // Stars a hundred times the sky apart in light still differ.
        assert!(
            shown(0.9) - shown(0.3) > 0.02,
            "{sky}: {} and {}",
            shown(0.3),
            shown(0.9)
        );
    }
}

/// Black never rises above the land's dark tone, however bright the sky.
#[test]
fn black_stays_under_the_land() {
    for (sky, dark, median) in [(0.3, 0.01, 0.05), (0.02, 0.0005, 0.002), (0.02, 0.0, 0.0)] {
        let statistics = SceneStatistics {
            land_dark: Some(dark),
            land_median: Some(median),
            ..scene(sky, 0.001, 0.2)
        };
        let curve = ToneCurve::from_statistics(&statistics);
        assert!(curve.settings().black.iter().all(|b| (0.0..=dark).contains(b)));
        assert!((curve.apply([sky; 3])[1] - 0.2).abs() < 0.003);
    }
}

/// The bend passes through black, pivot and white, rises everywhere and has no kink at the pivot.
#[test]
fn the_bend_is_smooth_and_rising() {
    for contrast in [1.0, 1.7, 3.5] {
        let at = |contrast: f32| {
            ToneCurve::new(ToneSettings {
                contrast,
                ..Default::default()
            })
        };
        let (plain, bent) = (at(1.0), at(contrast));
        let mut last = [0.0f32; 2];
        for k in 0..=4000 {
            let v = (k as f32 / 4000.0).powi(2);
            let now = [plain.display(v), bent.display(v)];
            assert!(now[1] >= last[1], "{contrast}: falls at {v}");
            let step = now[0] - last[0];
            if step > 0.0 && (now[0] - 0.2).abs() < 0.01 {
                let slope = (now[1] - last[1]) / step;
                assert!(
                    (slope / contrast - 1.0).abs() < 0.3,
                    "{contrast}: slope {slope} at {v}"
                );
            }
            last = now;
        }
        assert_eq!(bent.display(0.0), 0.0);
        assert!((bent.display(1.0) - 1.0).abs() < 1e-6);
    }
}

/// The largest difference of a channel between the table and the curve, in steps of 16 bits: of usual colours, and of some far
/// outside of what can be shown, which make several times as much of any error.
fn table_error(settings: ToneSettings) -> [f32; 2] {
    let curve = ToneCurve::new(settings);
    let table = ToneTable::new(&curve);
    let usual = [[1.0, 1.0, 1.0], [1.6, 0.9, 0.5], [0.4, 0.9, 1.7]];
    let far = [[2.6, 0.3, 0.1], [-0.2, 0.2, 3.0]];
    // Evenly from black to beyond white, and evenly in every octave far down: every node is passed.
    let even = (0..60_000).map(|k| k as f32 / 50_000.0);
    let dark = (0..60_000).map(|k| (-(k as f32) / 60_000.0 * 30.0).exp2());
    let parts: Vec<f32> = even.chain(dark).collect();
    let error = |part: f32, tint: [f32; 3]| {
        let rgb: [f32; 3] =
            std::array::from_fn(|c| curve.settings().black[c] + part * curve.range() * tint[c]);
        let (exact, found) = (curve.apply(rgb), table.apply(rgb));
        let off = exact.iter().zip(found).map(|(e, f)| 65535.0 * (e - f).abs());
        off.fold(0.0, f32::max)
    };
    let most = |tints: &[[f32; 3]]| {
        let all = tints.iter().flat_map(|t| parts.iter().map(|p| error(*p, *t)));
        all.fold(0.0, f32::max)
    };
    [most(&usual), most(&far)]
}

/// What a table may cost in steps of 16 bits, rounding to one costs half: measured 0.12 and 0.33, both of the sharpest bend.
const TABLE_ERROR: [f32; 2] = [1.0 / 6.0, 2.0 / 5.0];

#[test]
fn a_table_is_its_curve_to_a_part_of_a_step() {
    let mut worst = [0.0f32; 2];
    for stretch in [0.0, 1.0, 30.0, 800.0, 2e4, 1e6] {
        for (contrast, pivot) in [(1.0, 0.2), (1.7, 0.2), (3.5, 0.01), (3.5, 0.9)] {
            for (black, white) in [(0.0, 1.0), (0.004, 0.7), (0.02, 3.0)] {
                let error = table_error(ToneSettings {
                    black: [black; 3],
                    white,
                    stretch,
                    contrast,
                    pivot,
                    saturation: 1.15,
                });
                worst = [0, 1].map(|k| worst[k].max(error[k]));
            }
        }
    }
    assert!(
        worst[0] < TABLE_ERROR[0] && worst[1] < TABLE_ERROR[1],
        "{worst:?}"
    );
}

#[test]
fn a_table_goes_on_beyond_its_ends() {
    let curve = ToneCurve::new(ToneSettings::default());
    let table = ToneTable::new(&curve);
    for rgb in [
        [0.0; 3],
        [-1.0; 3],
        [f32::NAN; 3],
        [1e-30; 3],
        [1.0; 3],
        [50.0, 40.0, 30.0],
    ] {
        let (exact, found) = (curve.apply(rgb), table.apply(rgb));
        let same = |a: f32, b: f32| a == b || (a - b).abs() < 1e-6 || (a.is_nan() && b == 0.0);
        assert!(
            exact.iter().zip(found).all(|(a, b)| same(*a, b)),
            "{rgb:?}: {exact:?} {found:?}"
        );
    }
}
