//! Roles from settings, folders, content and EXIF.

use std::collections::BTreeMap;

use nightloom_outing::{FrameOverride, Role};
use nightloom_pipeline::{
    FrameContent, FrameFacts, RoleDecision, decide_roles, left_out_by_camera, role_of_folder,
};
use nightloom_raster::FrameMeta;

fn meta(exposure_s: f64, iso: f64) -> FrameMeta {
    FrameMeta {
        exposure_s: Some(exposure_s),
        iso: Some(iso),
        f_number: Some(2.0),
        focal_mm: Some(24.0),
        pixel_um: Some(5.95),
        model: Some("Body A".into()),
        ..FrameMeta::default()
    }
}

fn frame(name: &str, exposure_s: f64, iso: f64, content: Option<FrameContent>) -> FrameFacts {
    FrameFacts {
        name: name.into(),
        meta: meta(exposure_s, iso),
        size_px: Some([3000, 2000]),
        content,
    }
}

fn tracked() -> FrameContent {
    FrameContent {
        level: 0.05,
        noise: 0.01,
        structure: 0.02,
        edges: 0.1,
        block_px: 4000,
        stars: 900,
        elongation: Some(1.15),
        trail_px: Some(0.0),
        land_fraction: 0.2,
        drift_px: None,
    }
}
/// 60 s at 24 mm and 5.95 µm: 51.1″/px, the equator trails by 17.6 px.
fn fixed() -> FrameContent {
    FrameContent {
        stars: 120,
        elongation: Some(4.5),
        trail_px: Some(14.0),
        land_fraction: 0.4,
        ..tracked()
    }
}
fn covered() -> FrameContent {
    FrameContent {
        level: 0.0006,
        noise: 0.004,
        structure: 0.0001,
        edges: 0.0,
        block_px: 4000,
        stars: 2,
        elongation: Some(1.0),
        trail_px: Some(0.0),
        land_fraction: 0.0,
        drift_px: None,
    }
}
fn even() -> FrameContent {
    FrameContent {
        level: 0.45,
        noise: 0.01,
        structure: 0.06,
        edges: 0.0,
        block_px: 4000,
        ..FrameContent::default()
    }
}

fn roles(frames: &[FrameFacts]) -> Vec<RoleDecision> {
    decide_roles(frames, &BTreeMap::new())
}

fn words(decisions: &[RoleDecision]) -> Vec<&str> {
    decisions
        .iter()
        .map(|d| d.role.map_or("none", Role::word))
        .collect()
}

#[test]
fn folders_say_it_in_several_languages() {
    let cases = [
        ("sky/a.dng", Some(Role::Sky)),
        ("01_Tracked/a.dng", Some(Role::Sky)),
        ("Himmel/a.dng", Some(Role::Sky)),
        ("étoiles/a.dng", Some(Role::Sky)),
        ("night/land-2/a.dng", Some(Role::Land)),
        ("Vordergrund/a.dng", Some(Role::Land)),
        ("darks 90s/a.dng", Some(Role::Dark)),
        ("FLATS/a.dng", Some(Role::Flat)),
        ("offset/a.dng", Some(Role::Bias)),
        ("sky/darks/a.dng", Some(Role::Dark)), // the nearest folder counts
        ("dark sky/a.dng", None),              // two roles in one name
        ("darkness/a.dng", None),              // a word that only contains one
        ("a.dng", None),
        ("dark.dng", None), // a file's own name is no folder
    ];
    for (name, role) in cases {
        assert_eq!(role_of_folder(name).map(|(r, _)| r), role, "{name}");
    }
}

#[test]
fn settings_go_before_folders_and_say_their_line() {
    let said = FrameOverride {
        role: Some(Role::Land),
        used: None,
        line: 7,
    };
    let overrides = BTreeMap::from([("sky/a.dng".to_owned(), said)]);
    let decision = &decide_roles(&[frame("sky/a.dng", 90.0, 1600.0, Some(tracked()))], &overrides)[0];
    assert_eq!(decision.role, Some(Role::Land));
    assert!(decision.reason.contains("line 7"), "{}", decision.reason);
}

#[test]
fn a_flat_pile_is_sorted_by_content() {
    let mut frames = Vec::new();
    let mut expected = Vec::new();
    let mut add = |n: usize, exposure: f64, iso: f64, content: FrameContent, role: &'static str| {
        for _ in 0..n {
            frames.push(frame(
                &format!("IMG_{:04}.dng", frames.len()),
                exposure,
                iso,
                Some(content),
            ));
            expected.push(role);
        }
    };
    add(12, 90.0, 1600.0, tracked(), "sky");
    add(4, 60.0, 800.0, fixed(), "land");
    add(6, 90.0, 1600.0, covered(), "dark");
    add(6, 1.0 / 60.0, 100.0, even(), "flat");
    add(5, 1.0 / 4000.0, 1600.0, covered(), "bias");
    let decided = roles(&frames);
    assert_eq!(words(&decided), expected);
    assert!(decided.iter().all(|d| !d.reason.is_empty()));
}

#[test]
fn the_order_of_frames_does_not_matter() {
    let frames: Vec<FrameFacts> = (0..8)
        .map(|i| {
            frame(
                &format!("{i}.dng"),
                if i < 5 { 90.0 } else { 60.0 },
                800.0,
                Some(if i < 5 { tracked() } else { fixed() }),
            )
        })
        .collect();
    let mut turned = frames.clone();
    turned.reverse();
    let mut back = roles(&turned);
    back.reverse();
    assert_eq!(roles(&frames), back);
}

/// A kick against the tripod trails one tracked frame; it stays a sky frame, to be left out as such.
#[test]
fn one_bumped_frame_among_the_sky_stays_sky() {
    let bumped = FrameContent {
        elongation: Some(5.0),
        trail_px: Some(20.0),
        ..tracked()
    };
    let frames: Vec<FrameFacts> = (0..8)
        .map(|i| {
            frame(
                &format!("{i}.dng"),
                90.0,
                1600.0,
                Some(if i == 3 { bumped } else { tracked() }),
            )
        })
        .collect();
    assert_eq!(words(&roles(&frames)), ["sky"; 8]);
}

/// Land taken at the very settings of the sky, the tracker switched off for the last three.
#[test]
fn a_run_of_trailed_frames_at_the_same_settings_is_land() {
    let trailed = FrameContent {
        trail_px: Some(22.0),
        ..fixed()
    };
    let frames: Vec<FrameFacts> = (0..9)
        .map(|i| {
            frame(
                &format!("{i}.dng"),
                90.0,
                1600.0,
                Some(if i < 6 { tracked() } else { trailed }),
            )
        })
        .collect();
    assert_eq!(
        words(&roles(&frames)),
        [["sky"; 3], ["sky"; 3], ["land"; 3]].concat()
    );
}

/// 4 s at 24 mm trail by 1.2 px: shapes say nothing, company does.
#[test]
fn short_land_frames_are_told_by_their_company() {
    let short = FrameContent {
        stars: 60,
        elongation: Some(1.2),
        trail_px: Some(0.0),
        ..tracked()
    };
    let mut frames: Vec<FrameFacts> = (0..5)
        .map(|i| frame(&format!("s{i}.dng"), 120.0, 800.0, Some(tracked())))
        .collect();
    frames.push(frame("l.dng", 4.0, 3200.0, Some(short)));
    assert_eq!(
        words(&roles(&frames)),
        ["sky", "sky", "sky", "sky", "sky", "land"]
    );
}

#[test]
fn moonlit_land_without_stars_is_land_not_a_flat() {
    let moonlit = FrameContent {
        level: 0.2,
        edges: 0.3,
        stars: 0,
        elongation: None,
        trail_px: None,
        ..tracked()
    };
    let frames = [
        frame("a.dng", 120.0, 800.0, Some(tracked())),
        frame("b.dng", 120.0, 100.0, Some(moonlit)),
    ];
    assert_eq!(words(&roles(&frames)), ["sky", "land"]);
}

#[test]
fn one_frame_alone_with_round_stars_is_sky() {
    assert_eq!(
        words(&roles(&[frame("a.dng", 90.0, 1600.0, Some(tracked()))])),
        ["sky"]
    );
    assert_eq!(
        words(&roles(&[frame("a.dng", 90.0, 1600.0, Some(fixed()))])),
        ["land"]
    );
}

#[test]
fn exif_alone_says_only_what_it_can() {
    let frames = [
        frame("a.dng", 90.0, 1600.0, None),
        frame("b.dng", 90.0, 1600.0, None),
        frame("c.dng", 30.0, 800.0, None),
        frame("d.dng", 0.01, 100.0, None),
    ];
    let decided = roles(&frames);
    assert_eq!(words(&decided), ["sky", "sky", "land", "none"]);
    assert!(decided[0].reason.contains("EXIF alone") && decided[3].reason.contains("[frames]"));
}

#[test]
fn frames_of_another_camera_or_size_are_left_out_with_the_reason() {
    let mut frames: Vec<FrameFacts> = (0..3)
        .map(|i| frame(&format!("sky/{i}.dng"), 90.0, 1600.0, None))
        .collect();
    frames.push(frame("sky/other.dng", 90.0, 1600.0, None));
    frames[3].meta.model = Some("Body B".into());
    frames.push(frame("sky/small.dng", 90.0, 1600.0, None));
    frames[4].size_px = Some([1500, 1000]);
    frames.push(frame("darks/d.dng", 90.0, 1600.0, None));
    frames.push(frame("flats/f.dng", 0.01, 100.0, None));
    frames[6].meta.model = Some("Body B".into());
    let out = left_out_by_camera(&frames, &roles(&frames));
    let left: Vec<bool> = out.iter().map(Option::is_some).collect();
    assert_eq!(left, [false, false, false, true, true, false, true]);
    assert!(out[3].as_ref().unwrap().contains("Body B") && out[3].as_ref().unwrap().contains("Body A"));
    assert!(out[4].as_ref().unwrap().contains("1500 × 1000"));
    assert!(out[6].as_ref().unwrap().contains("Body B"));
}

/// The levels are measured from pixels: a noisy dark, a vignetted flat and a contour.
#[test]
fn content_is_measured_from_pixels() {
    use nightloom_raster::{Pixels, Plane};
    use nightloom_stars::{DetectSettings, measure};
    let noise = |x: usize, y: usize| {
        // A hash of the place as noise, uniform of standard deviation 1.
        let mut h =
            (x as u64).wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ (y as u64).wrapping_mul(0xC2B2_AE3D_27D4_EB4F);
        h = (h ^ (h >> 29)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        ((h >> 40) as f32 / (1u64 << 24) as f32 - 0.5) * 12f32.sqrt()
    };
    let of = |value: &dyn Fn(usize, usize) -> f32| {
        let plane = Plane::from_fn(480, 320, value);
        let field = measure(&Plane::filled(16, 16, 0.0), &DetectSettings::default());
        FrameContent::of(&Pixels::Grey(plane), &field)
    };
    let dark = of(&|x, y| 0.001 + 0.004 * noise(x, y));
    assert!(
        (dark.level - 0.001).abs() < 2e-4 && (dark.noise / 0.004 - 1.0).abs() < 0.15,
        "{dark:?}"
    );
    assert!(dark.structure < 6e-4, "{dark:?}");
    let flat = of(&|x, y| {
        let r2 = ((x as f32 - 240.0).powi(2) + (y as f32 - 160.0).powi(2)) / 288f32.powi(2);
        0.5 * (1.0 - 0.6 * r2) + 0.005 * noise(x, y)
    });
    assert!(flat.edges < 0.04 && flat.level > 0.3, "{flat:?}");
    let ridge = of(&|x, y| if y > 200 + x / 8 { 0.02 } else { 0.2 } + 0.005 * noise(x, y));
    assert!(ridge.edges > 0.04, "{ridge:?}");
    let all = [
        ("dark", dark, 90.0, Role::Dark),
        ("flat", flat, 0.01, Role::Flat),
        ("ridge", ridge, 60.0, Role::Land),
    ];
    for (name, content, exposure, role) in all {
        let decision = &roles(&[frame(name, exposure, 800.0, Some(content))])[0];
        assert_eq!(decision.role, Some(role), "{decision:?}");
    }
}

/// Small pixels on a short lens: the sky's turning shows as mere elongation, and hot pixels pass for
/// stars. The figures are those measured in a rendered night at 900 × 600 (24 mm, 40 µm, 90 s: the
/// equator trails by 3.9 px), its sixth frame bumped and half an hour before the land was taken.
#[test]
fn a_pile_with_short_trails_is_sorted_by_comparison() {
    let content = |level: f64, structure: f64, edges: f64, stars: usize, elongation: f64| FrameContent {
        level,
        noise: 0.0005,
        structure,
        edges,
        block_px: 361,
        stars,
        elongation: Some(elongation),
        trail_px: Some(0.0),
        land_fraction: 0.0,
        drift_px: None,
    };
    let rows = [
        (5, 90.0, content(0.03, 0.02, 0.24, 1800, 1.095), "sky"),
        (1, 90.0, content(0.03, 0.019, 0.25, 1153, 1.89), "sky"),
        (4, 90.0, content(0.03, 0.024, 0.32, 940, 1.64), "land"),
        (6, 90.0, content(0.0002, 0.0, 0.6, 187, 1.02), "dark"),
        (6, 0.008, content(0.239, 0.09, 0.0, 200, 1.6), "flat"),
    ];
    let mut frames = Vec::new();
    let mut expected = Vec::new();
    for (n, exposure, content, role) in rows {
        for _ in 0..n {
            let i = frames.len();
            let mut f = frame(&format!("OWL_{i:04}.dng"), exposure, 800.0, Some(content));
            f.meta.pixel_um = Some(40.0);
            let minute = 2 * i + if i > 5 { 30 } else { 0 };
            f.meta.taken_local = Some(format!(
                "2024-11-20T{:02}:{:02}:00",
                21 + minute / 60,
                minute % 60
            ));
            frames.push(f);
            expected.push(role);
        }
    }
    assert_eq!(words(&roles(&frames)), expected);
}

/// A sky without any land in it is as even as a flat; its stars and its exposure tell.
#[test]
fn a_bright_sky_without_land_is_no_flat() {
    let sky = FrameContent {
        level: 0.2,
        structure: 0.03,
        edges: 0.0,
        land_fraction: 0.0,
        ..tracked()
    };
    let frames: Vec<FrameFacts> = (0..4)
        .map(|i| frame(&format!("{i}.dng"), 90.0, 1600.0, Some(sky)))
        .collect();
    assert_eq!(words(&roles(&frames)), ["sky"; 4]);
}

/// A single land frame at the sky's settings, taken half an hour later, is no bumped sky frame.
#[test]
fn a_lone_trailed_frame_apart_in_time_is_land() {
    let at = |i: usize, minute: usize, content: FrameContent| {
        let mut f = frame(&format!("{i}.dng"), 90.0, 1600.0, Some(content));
        f.meta.taken_local = Some(format!("2024-11-20T21:{minute:02}:00"));
        f
    };
    let trailed = FrameContent {
        trail_px: Some(22.0),
        ..fixed()
    };
    let mut frames: Vec<FrameFacts> = (0..6).map(|i| at(i, 2 * i, tracked())).collect();
    frames.push(at(6, 45, trailed));
    assert_eq!(
        words(&roles(&frames)),
        [["sky"; 6].as_slice(), &["land"]].concat()
    );
    // Right after the others it is taken for a mishap among them.
    frames[6] = at(6, 12, trailed);
    assert_eq!(words(&roles(&frames)), ["sky"; 7]);
}

#[test]
fn stars_drawn_out_by_the_lens_are_still_sky() {
    // 1.8 times as long as wide, but every which way: no motion that all share.
    let lens = FrameContent {
        elongation: Some(1.8),
        drift_px: Some(0.0),
        ..tracked()
    };
    let said = roles(&[frame("a.dng", 60.0, 1600.0, Some(lens))]);
    assert_eq!(words(&said), ["sky"]);
}

#[test]
fn a_short_motion_of_the_skys_own_length_tells_the_fixed_tripod() {
    // 15 s at 24 mm and 5.95 µm: the equator moves by 4.4 px, too short to be measured as a trail.
    let still = FrameContent {
        elongation: Some(1.9),
        drift_px: Some(3.8),
        ..tracked()
    };
    let sharp = FrameContent {
        elongation: Some(1.1),
        drift_px: Some(0.0),
        ..tracked()
    };
    let mut frames = vec![frame("land.dng", 15.0, 800.0, Some(still))];
    frames.extend((0..4).map(|i| frame(&format!("sky{i}.dng"), 60.0, 1600.0, Some(sharp))));
    assert_eq!(words(&roles(&frames)), ["land", "sky", "sky", "sky", "sky"]);
}

#[test]
fn pictures_without_time_and_exposure_are_no_frames_among_raws() {
    let picture = |name: &str| FrameFacts {
        meta: FrameMeta::default(),
        ..frame(name, 0.0, 0.0, Some(tracked()))
    };
    let raws = || {
        vec![
            frame("sky/a.dng", 90.0, 1600.0, Some(tracked())),
            frame("sky/b.dng", 90.0, 1600.0, Some(tracked())),
        ]
    };
    let mut frames = raws();
    frames.extend(["old/blend.tif", "print.JPG", "sky/mean.fits", "land/hill.tif"].map(picture));
    let decisions = roles(&frames);
    // In a folder that holds none but pictures the folder's name is what the photographer meant.
    assert_eq!(words(&decisions), ["sky", "sky", "none", "none", "none", "land"]);
    assert!(
        decisions[2].reason.contains("outing.toml"),
        "{}",
        decisions[2].reason
    );
    // A camera's own JPEG tells how it was taken, and a night of pictures alone is a night.
    let mut told = raws();
    told.push(frame("phone.jpg", 4.0, 1600.0, Some(fixed())));
    assert_eq!(words(&roles(&told))[2], "land");
    assert_eq!(
        words(&roles(&[picture("a.tif"), picture("b.tif")])),
        ["sky", "sky"]
    );
    // What the settings say counts.
    let said = FrameOverride {
        role: Some(Role::Sky),
        used: None,
        line: 3,
    };
    let overrides = BTreeMap::from([("old/blend.tif".to_owned(), said)]);
    assert_eq!(decide_roles(&frames, &overrides)[2].role, Some(Role::Sky));
}
