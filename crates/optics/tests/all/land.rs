//! Land: exposures from its light, depth of field, focus brackets, match with the sky.

use nightloom_optics::land::{
    FOCUS_STEPS, FocusQuestion, LandExposureSettings, airy, circle_of_confusion_mm, depth, focus_chain,
    focus_plan, hyperfocal_m, land_exposures,
};

/// The trade writes hyperfocal distances to a centimetre.
const DISTANCE_M: f64 = 0.005;

#[test]
fn hyperfocal_distances_of_the_trade() {
    for (f, n, c, want) in [
        (24.0, 2.8, 0.030, 6.88),
        (24.0, 2.8, 0.012, 17.17),
        (14.0, 2.8, 0.012, 5.85),
    ] {
        let got = hyperfocal_m(f, n, c).unwrap();
        assert!((got - want).abs() < DISTANCE_M, "{got} for {want}");
    }
    assert!((circle_of_confusion_mm(6.0).unwrap() - 0.012).abs() < 1e-12);
}

/// The blur of a thin lens, from the lens equation: a point at `d` is imaged at v = fd/(d−f).
fn blur_mm(d_m: f64, focus_m: f64, focal_mm: f64, f_number: f64) -> f64 {
    let image = |d_mm: f64| focal_mm * d_mm / (d_mm - focal_mm);
    let (point, sensor) = (image(d_m * 1e3), image(focus_m * 1e3));
    focal_mm / f_number * (point - sensor).abs() / point
}

#[test]
fn the_limits_of_depth_are_where_the_thin_lens_blurs_by_the_circle() {
    for (focus, f, n) in [(3.0, 24.0, 2.8), (1.2, 50.0, 4.0), (15.0, 14.0, 1.8)] {
        let c = 0.012;
        let d = depth(focus, f, n, c).unwrap();
        assert!((blur_mm(d.near_m, focus, f, n) - c).abs() < 1e-9, "{d:?}");
        match d.far_m {
            Some(far) => assert!((blur_mm(far, focus, f, n) - c).abs() < 1e-9, "{d:?}"),
            None => assert!(blur_mm(1e9, focus, f, n) <= c),
        }
    }
    // From the hyperfocal distance to infinity, and, near enough, from half of it.
    let h = hyperfocal_m(24.0, 2.8, 0.012).unwrap();
    let d = depth(h, 24.0, 2.8, 0.012).unwrap();
    assert!(d.far_m.is_none() && (d.near_m / h - 0.5).abs() < 1e-9, "{d:?}");
}

#[test]
fn a_chain_of_focus_leaves_no_gap() {
    for overlap in [0.0, 0.1] {
        let chain = focus_chain(1.5, 24.0, 2.8, 0.012, overlap).unwrap();
        assert!(chain[0].far_m.is_none() && chain.last().unwrap().near_m <= 1.5);
        // Without the last one the nearest thing would not be sharp.
        assert!(chain[chain.len() - 2].near_m > 1.5);
        for pair in chain.windows(2) {
            let far = pair[1].far_m.unwrap();
            assert!((far / (pair[0].near_m * (1.0 + overlap)) - 1.0).abs() < 1e-9);
            assert!(pair[1].focus_m < pair[0].focus_m);
        }
        // H/2, H/4, H/6 …: about H/(2d) frames (thin lens, H ≫ f).
        if overlap == 0.0 {
            assert_eq!(chain.len(), (17.17f64 / 2.0 / 1.5).ceil() as usize);
            assert!((chain[1].focus_m - 17.17 / 3.0).abs() < 0.02, "{chain:?}");
        }
    }
    assert_eq!(focus_chain(9.0, 24.0, 2.8, 0.012, 0.0).unwrap().len(), 1);
    assert!(focus_chain(0.0, 24.0, 2.8, 0.012, 0.0).is_err());
    assert!(focus_chain(1.5, 24.0, 2.8, 0.012, 1.0).is_err());
}

#[test]
fn one_answer_holds_it_all_and_says_when_the_chain_is_too_short() {
    let ask = |nearest_m| {
        focus_plan(&FocusQuestion {
            focal_mm: 24.0,
            f_number: 2.8,
            pitch_um: 6.0,
            nearest_m,
            overlap: 0.1,
        })
        .unwrap()
    };
    let plan = ask(Some(2.0));
    assert!(plan.reached && plan.brackets.len() > 3 && (plan.hyperfocal_m - 17.17).abs() < DISTANCE_M);
    assert!((plan.at_hyperfocal.near_m / plan.hyperfocal_m - 0.5).abs() < 1e-9);
    let none = ask(None);
    assert!(none.reached && none.brackets.is_empty());
    let endless = ask(Some(0.06));
    assert!(!endless.reached && endless.brackets.len() == FOCUS_STEPS);
}

#[test]
fn land_under_the_full_moon_and_under_the_stars() {
    // EV100 −3 at f/2.8, ISO 100 wants N²·2³ = 62.7 s; one stop darker half of it.
    let settings = LandExposureSettings {
        stops: 0.0,
        ..LandExposureSettings::default()
    };
    let all = land_exposures(-3.0, &settings).unwrap();
    let at = all.iter().find(|e| e.exposure.f_number == 2.8).unwrap();
    assert!((at.total_s - 62.72).abs() < 1e-9 && at.frames == 1);
    for e in &all {
        assert!((e.exposure.ev100() - -3.0).abs() < 1e-9 || e.frames > 1, "{e:?}");
        assert!((e.exposure.seconds * f64::from(e.frames) - e.total_s).abs() < 1e-9);
        assert!(e.exposure.seconds <= settings.longest_s);
    }
    let darker = land_exposures(-3.0, &LandExposureSettings::default()).unwrap();
    assert!((darker[0].total_s * 2.0 - all[0].total_s).abs() < 1e-9);
    let stars = land_exposures(-7.0, &settings).unwrap();
    let at = stars.iter().find(|e| e.exposure.f_number == 2.8).unwrap();
    assert_eq!(at.frames, 4); // 1003.5 s in frames of at most 300 s.
}

#[test]
fn diffraction_at_f8_is_eleven_micrometres() {
    // 2.44·0.55 µm·8 = 10.7 µm.
    let a = airy(8.0, 5.95).unwrap();
    assert!((a.diameter_um - 10.73).abs() < 0.01 && !a.limits);
    assert!(airy(11.0, 5.95).unwrap().limits);
}

#[test]
fn land_refuses_what_cannot_be() {
    assert!(hyperfocal_m(0.0, 2.8, 0.012).is_err());
    assert!(hyperfocal_m(24.0, 0.0, 0.012).is_err());
    assert!(depth(0.02, 24.0, 2.8, 0.012).is_err());
    assert!(land_exposures(f64::NAN, &LandExposureSettings::default()).is_err());
    let zero = LandExposureSettings {
        iso: 0.0,
        ..LandExposureSettings::default()
    };
    let said = land_exposures(-3.0, &zero).unwrap_err().to_string();
    assert_eq!(
        said,
        "the ISO must be a number above zero, for example 100; 0 was given"
    );
}
