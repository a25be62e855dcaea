//! Causes of known faults, and frames that say nothing of stars.
//!
//! What counts as right is the fault painted (`faults.rs`); `examples/check_bars.rs` counts over 300 frames.

use nightloom_frames::cause::Cause;
use nightloom_frames::{CheckOptions, FrameCheck, Standing, check_pixels, trends};
use nightloom_raster::{CameraColour, Frame, FrameMeta, Levels, Pixels, Plane};
use nightloom_sky::Instant;

use crate::faults::{FAULTS, Painted, paint};
use crate::still::Still;

fn checked(painted: &Painted) -> FrameCheck {
    check_pixels(
        "painted",
        &painted.frame,
        &painted.standing,
        &CheckOptions::default(),
        &Still::new(),
    )
}

#[test]
fn the_right_cause_comes_first_for_one_frame_of_every_fault() {
    let mut wrong = Vec::new();
    for (i, fault) in FAULTS.into_iter().enumerate() {
        let painted = paint(1000 + i as u64, fault);
        let check = checked(&painted);
        if check.first() != Some(fault) {
            wrong.push(format!("{painted}: {:?}", check.causes));
        }
    }
    // Nine in ten is what is promised.
    assert!(wrong.len() <= 1, "{wrong:#?}");
}

#[test]
fn likelihoods_are_shares() {
    let check = checked(&paint(1001, Cause::TrackerOff));
    let sum: f64 = check.causes.iter().map(|c| c.likelihood).sum();
    assert!(sum <= 1.0 + 1e-9 && sum > 0.9, "{sum}");
    assert!(
        check
            .causes
            .windows(2)
            .all(|w| w[0].likelihood >= w[1].likelihood)
    );
    assert!(check.causes.iter().all(|c| !c.figure.is_empty()) && !check.next.is_empty());
}

fn frame(plane: Plane, exposure_s: Option<f64>) -> Frame {
    Frame {
        pixels: Pixels::Grey(plane),
        colour: CameraColour::default(),
        meta: FrameMeta {
            exposure_s,
            ..FrameMeta::default()
        },
        levels: Levels {
            black: [0.0; 4],
            white: [16_383.0; 4],
        },
        bits: 14,
        was_linear: true,
    }
}

fn said(plane: Plane, exposure_s: Option<f64>) -> FrameCheck {
    check_pixels(
        "odd",
        &frame(plane, exposure_s),
        &Standing::default(),
        &CheckOptions::default(),
        &Still::new(),
    )
}

/// Noise that is the same everywhere it runs (SplitMix64's mixing of the place).
fn noise(x: usize, y: usize) -> f32 {
    let mut h =
        (x as u64).wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ (y as u64).wrapping_mul(0xC2B2_AE3D_27D4_EB4F);
    let mut sum = 0.0;
    for _ in 0..4 {
        h = (h ^ (h >> 29)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        sum += (h >> 40) as f32 / (1u64 << 24) as f32 - 0.5;
    }
    sum * 3f32.sqrt()
}

#[test]
fn a_black_frame_is_covered() {
    let check = said(Plane::from_fn(900, 600, |x, y| 3e-4 * noise(x, y)), Some(60.0));
    assert_eq!(check.first(), Some(Cause::Covered));
    assert!(!check.measured && check.sky_mag_arcsec2.is_none());
}

#[test]
fn hot_pixels_alone_are_no_stars() {
    let plane = Plane::from_fn(900, 600, |x, y| {
        let hot = (x * 7 + y * 13).is_multiple_of(4999);
        3e-4 * noise(x, y) + if hot { 0.5 } else { 0.0 }
    });
    let check = said(plane, Some(60.0));
    assert!(!check.measured, "{:?}", check.causes);
    assert!(check.centre.is_none());
}

#[test]
fn noise_alone_is_no_sky_to_judge() {
    let check = said(
        Plane::from_fn(900, 600, |x, y| 0.05 + 0.01 * noise(x, y)),
        Some(60.0),
    );
    assert!(!check.measured, "{:?}", check.causes);
}

#[test]
fn a_daylight_picture_is_told() {
    let plane = Plane::from_fn(900, 600, |x, y| {
        let (u, v) = (x as f32 / 900.0, y as f32 / 600.0);
        let hill = if v > 0.6 + 0.1 * (9.0 * u).sin() {
            0.15
        } else {
            0.6 - 0.3 * v
        };
        (hill * (1.0 + 0.3 * ((60.0 * u).sin() * (47.0 * v).cos())) + 0.004 * noise(x, y)).clamp(0.0, 1.0)
    });
    let check = said(plane, Some(0.005));
    assert!(
        matches!(check.first(), Some(Cause::Daylight | Cause::NoStars)),
        "{:?}",
        check.causes
    );
    assert!(!check.measured);
}

#[test]
fn a_drawing_is_told() {
    let plane = Plane::from_fn(900, 600, |x, y| match (x / 90 + y / 60) % 4 {
        0 => 0.02,
        1 => 0.3,
        2 => 0.8,
        _ => {
            if x % 12 == 3 && y % 14 == 5 {
                0.9
            } else {
                0.05
            }
        }
    });
    let check = said(plane, None);
    assert_eq!(check.first(), Some(Cause::Drawing));
}

#[test]
fn a_tiny_picture_is_told() {
    let check = said(
        Plane::from_fn(60, 40, |x, y| 0.05 + 0.01 * noise(x, y)),
        Some(10.0),
    );
    assert_eq!(check.first(), Some(Cause::TooSmall));
}

/// A course without pixels: every figure but those given is as in a good frame.
fn course(minutes: f64, fwhm_px: f64, zero_point: f64) -> FrameCheck {
    let start: Instant = "2026-08-12T22:00:00Z".parse().unwrap();
    FrameCheck {
        measured: true,
        error: None,
        stars: 200,
        fwhm_px,
        zero_point: Some(zero_point),
        settings: [Some(60.0), Some(1600.0), Some(2.8)],
        taken: Some(start.plus_seconds(60.0 * minutes)),
        ..FrameCheck::unreadable("painted".into(), String::new())
    }
}

#[test]
fn focus_that_drifts_and_dew_that_grows_call_for_a_hand() {
    let wobble = |i: usize| 0.02 * [0.3, -0.8, 0.9, -0.2, 0.1][i % 5];
    let steady: Vec<FrameCheck> = (0..20)
        .map(|i| course(2.0 * i as f64, 2.2 + wobble(i), 20.0))
        .collect();
    assert!(trends(&steady).worst().is_none());
    let drifting: Vec<FrameCheck> = (0..20)
        .map(|i| course(2.0 * i as f64, 2.2 + 0.04 * i as f64 + wobble(i), 20.0))
        .collect();
    let focus = trends(&drifting).focus.unwrap();
    assert!(focus.alarm);
    // 0.04 px every two minutes.
    assert!((focus.per_hour - 1.2).abs() < 0.1, "{}", focus.per_hour);
    let dewing: Vec<FrameCheck> = (0..20)
        .map(|i| course(2.0 * i as f64, 2.2, 20.0 - 0.03 * i as f64 + wobble(i)))
        .collect();
    assert!(trends(&dewing).dew.unwrap().alarm);
}

/// A gear's swing painted into the frames' places comes back, and calls for a hand where an exposure feels it.
#[test]
fn a_swinging_tracker_is_told_from_its_frames() {
    // 15″ either way in eight minutes, drifting by 20″ an hour, places off by half an arcsecond; at 40° from the
    // equator.
    let place = |i: usize, swing: f64| {
        let t = i as f64;
        let noise = 1.7 * ((12.9898 * t).sin() * 43_758.545_3).fract().abs() - 0.85;
        // The mean over a minute's exposure: sin(π/8) / (π/8) of the swing.
        let ahead = 0.9745 * swing * (std::f64::consts::TAU * t / 8.0).sin() + 20.0 * t / 60.0 + noise;
        nightloom_frames::SkyPlace {
            // Over the beginning of right ascension.
            ra_deg: (359.999 + ahead / 3600.0).rem_euclid(360.0),
            dec_deg: 40.0,
        }
    };
    let frames = |swing: f64, scale: f64| -> Vec<FrameCheck> {
        (0..30)
            .map(|i| FrameCheck {
                centre: Some(place(i, swing)),
                scale_arcsec_px: Some(scale),
                ..course(i as f64, 2.2, 20.0)
            })
            .collect()
    };
    let wide = trends(&frames(15.0, 30.0)).swing.unwrap();
    assert!(!wide.alarm, "{}", wide.figure);
    assert!(
        wide.figure.contains("±15″") && wide.figure.contains("8.0 min"),
        "{}",
        wide.figure
    );
    // 2π · 15″ · cos 40° · 60 s / 480 s = 9.0″ in one exposure.
    let long = trends(&frames(15.0, 3.0)).swing.unwrap();
    assert!(
        long.alarm && long.figure.contains("3.0 px in one exposure"),
        "{}",
        long.figure
    );
    assert!(trends(&frames(0.0, 3.0)).swing.is_none());
}
