//! Verdicts on sets whose faults are known.

use nightloom_stars::{FrameQuality, JudgeSettings, Verdict, judge};

fn good() -> FrameQuality {
    FrameQuality {
        stars: 900,
        fwhm_px: 2.6,
        elongation: 1.1,
        background: 0.02,
        noise: 0.001,
        sky_fraction: 0.7,
        flux_ratio: Some(1.0),
        rms_px: Some(0.15),
        unregistered: None,
    }
}

fn verdicts(frames: &[FrameQuality]) -> Vec<Verdict> {
    judge(frames, &JudgeSettings::default())
}

#[test]
fn bumped_clouded_and_lost_frames_are_left_out_and_only_those() {
    let mut frames = vec![good(); 12];
    for (i, frame) in frames.iter_mut().enumerate() {
        // Ordinary scatter: seeing, airmass, a brightening sky.
        frame.fwhm_px *= 1.0 + 0.02 * (i % 5) as f32;
        frame.background *= 1.0 + 0.03 * i as f32;
        frame.flux_ratio = Some(1.0 - 0.01 * i as f32);
    }
    frames[3].elongation = 2.2;
    frames[5].flux_ratio = Some(0.5);
    frames[5].background *= 1.4;
    frames[7].unregistered = Some("its 40 stars match no other frame's".into());
    frames[9].fwhm_px = 5.0;
    let found = verdicts(&frames);
    let out: Vec<usize> = (0..12).filter(|i| !found[*i].use_it).collect();
    assert_eq!(out, [3, 5, 7, 9]);
    assert!(
        found[3].reason.contains("2.20 times as long as wide"),
        "{}",
        found[3].reason
    );
    assert!(
        found[5].reason.starts_with("cloud: its stars are 4"),
        "{}",
        found[5].reason
    );
    assert!(found[7].reason.contains("match no other"));
    assert!(found[9].reason.contains("5.0 px wide"));
    assert!(found.iter().all(|v| v.use_it == (v.weight > 0.0)));
}

#[test]
fn sets_of_one_two_and_three() {
    assert!(verdicts(&[]).is_empty());
    let alone = FrameQuality {
        elongation: 3.0,
        fwhm_px: 9.0,
        stars: 12,
        ..good()
    };
    assert!(verdicts(&[alone])[0].use_it);
    let slightly = FrameQuality {
        elongation: 1.4,
        flux_ratio: Some(0.7),
        ..good()
    };
    assert!(verdicts(&[good(), slightly]).iter().all(|v| v.use_it));
    let bumped = FrameQuality {
        elongation: 2.5,
        ..good()
    };
    let found = verdicts(&[bumped.clone(), good()]);
    assert!(!found[0].use_it && found[1].use_it);
    let found = verdicts(&[good(), bumped, good()]);
    assert!(found[0].use_it && !found[1].use_it && found[2].use_it);
}

#[test]
fn a_fault_that_all_share_is_not_held_against_any() {
    let frames = vec![
        FrameQuality {
            elongation: 2.0,
            fwhm_px: 6.0,
            ..good()
        };
        8
    ];
    assert!(
        verdicts(&frames)
            .iter()
            .all(|v| v.use_it && (v.weight - 1.0).abs() < 1e-6)
    );
}

#[test]
fn noisier_frames_weigh_less() {
    let mut frames = vec![good(); 5];
    frames[1].noise *= 2.0;
    let found = verdicts(&frames);
    assert!((found[1].weight - 0.25).abs() < 1e-6 && (found[0].weight - 1.0).abs() < 1e-6);
}
