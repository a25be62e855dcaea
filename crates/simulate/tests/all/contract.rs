//! Determinism, cancelling, refusals, mishaps.

use std::sync::atomic::{AtomicBool, Ordering};

use nightloom_simulate::{
    Counts, Mishaps, PaintedStreakKind, Scenario, SimulateError, TruthPictures, render,
};
use nightloom_sky::Angle;

use crate::night::{folder, mosaic, rendered, scenario};

fn quick() -> Scenario {
    let counts = Counts {
        sky: 1,
        land: 1,
        dark: 1,
        flat: 0,
    };
    Scenario {
        counts,
        truth_pictures: TruthPictures::Matte,
        faintest_mag: 9.5,
        ..scenario()
    }
}

#[test]
fn any_number_of_threads_makes_the_same_bytes() {
    let bytes = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .expect("a pool");
        let folder = folder(&format!("threads-{threads}"));
        let truth = pool.install(|| rendered(&quick(), &folder));
        let mut files: Vec<_> = truth.frames.iter().map(|f| folder.join(&f.path)).collect();
        files.extend(["truth/matte.tif", "truth/truth.json"].map(|n| folder.join(n)));
        files
            .iter()
            .map(|f| std::fs::read(f).expect("the file is there"))
            .collect::<Vec<_>>()
    };
    assert!(bytes(1) == bytes(3));
}

#[test]
fn stops_when_asked() {
    let stop = AtomicBool::new(false);
    let folder = folder("stopped");
    let progress = |done: usize, _: usize, _: &str| stop.store(done >= 1, Ordering::Relaxed);
    let result = render(&quick(), &folder, &progress, &stop);
    assert!(matches!(result, Err(SimulateError::Cancelled)));
    assert!(!folder.join("truth/truth.json").exists());
}

#[test]
fn refuses_what_makes_no_night() {
    let mut wrong = quick();
    wrong.sky_exposure.seconds = f64::NAN;
    let result = render(&wrong, &folder("wrong"), &|_, _, _| {}, &AtomicBool::new(false));
    assert!(matches!(
        result,
        Err(SimulateError::Scenario {
            field: "exposure",
            ..
        })
    ));
}

#[test]
fn a_folder_that_cannot_be_made_is_an_error() {
    let file = folder("a-file");
    std::fs::create_dir_all(file.parent().expect("a parent")).expect("the folder of the run");
    std::fs::write(&file, b"in the way").expect("the file is written");
    let result = render(
        &quick(),
        &file.join("night"),
        &|_, _, _| {},
        &AtomicBool::new(false),
    );
    assert!(matches!(result, Err(SimulateError::Write { .. })));
    std::fs::remove_file(&file).expect("the file goes");
}

#[test]
fn mishaps_fall_where_they_are_asked_for() {
    let mut scenario = quick();
    scenario.counts = Counts {
        sky: 3,
        land: 0,
        dark: 0,
        flat: 0,
    };
    scenario.truth_pictures = TruthPictures::None;
    let plain_truth = rendered(&scenario, &folder("plain"));
    scenario.mishaps = Mishaps {
        cloud: Some(1),
        bump: Some(2),
        aircraft: Some(0),
        meteor: None,
        satellites: 0,
    };
    let place = folder("mishaps");
    let truth = rendered(&scenario, &place);
    assert!(
        truth.frames[0]
            .streaks
            .iter()
            .any(|s| s.kind == PaintedStreakKind::Aircraft)
    );
    assert!(truth.frames[1].cloud && !truth.frames[0].cloud);
    assert!(truth.frames[2].bumped_at_s.is_some());
    // Cloud takes light from stars and the bump makes two of each.
    assert!(truth.frames[2].stars.len() as f64 > 1.9 * plain_truth.frames[2].stars.len() as f64);
    let plain = plain_truth
        .frames
        .iter()
        .map(|f| mosaic(&folder_of("plain").join(&f.path)))
        .collect::<Vec<_>>();
    let marred = truth
        .frames
        .iter()
        .map(|f| mosaic(&place.join(&f.path)))
        .collect::<Vec<_>>();
    // Along the aircraft's way the frame is brighter than without it.
    let streak = &truth.frames[0].streaks[0];
    let (mut with, mut without) = (0.0, 0.0);
    for i in 0..400 {
        let t = 0.05 + 0.9 * f64::from(i) / 400.0;
        let at = |k: usize| (streak.from_px[k] + (streak.to_px[k] - streak.from_px[k]) * t).round() as usize;
        with += marred[0].plane.at(at(0), at(1));
        without += plain[0].plane.at(at(0), at(1));
    }
    assert!(with > 1.1 * without, "{with} against {without}");
    // The brightest stars are dimmer under cloud.
    let star = plain_truth.frames[1]
        .stars
        .iter()
        .find(|s| s.v_mag > 5.0)
        .expect("a star");
    let [x, y] = star.at_px.map(|v| v.round() as usize);
    let sum = |m: &nightloom_raster::Mosaic| -> f32 {
        (y - 2..=y + 2)
            .flat_map(|y| (x - 2..=x + 2).map(move |x| (x, y)))
            .map(|(x, y)| m.plane.at(x, y))
            .sum()
    };
    assert!(sum(&marred[1]) < 0.9 * sum(&plain[1]));
}

fn folder_of(name: &str) -> std::path::PathBuf {
    std::path::Path::new(env!("CARGO_TARGET_TMPDIR")).join(name)
}

#[test]
fn variants_render() {
    let mut scenario = quick();
    scenario.truth_pictures = TruthPictures::None;
    scenario.counts = Counts {
        sky: 2,
        land: 2,
        dark: 0,
        flat: 0,
    };
    scenario.roll_over_sky = Angle::from_deg(30.0);
    scenario.land_turn = [
        Angle::from_arcmin(6.0),
        Angle::from_arcmin(-4.0),
        Angle::from_deg(0.0),
    ];
    scenario.clock_error_s = 3600.0;
    let place = folder("variant");
    let truth = rendered(&scenario, &place);
    let turn = |a: [[f64; 3]; 3], b: [[f64; 3]; 3]| {
        let trace: f64 = (0..3)
            .map(|i| (0..3).map(|j| a[i][j] * b[i][j]).sum::<f64>())
            .sum();
        ((trace - 1.0) / 2.0).clamp(-1.0, 1.0).acos().to_degrees()
    };
    let rolled = turn(truth.frames[0].attitude[1], truth.frames[1].attitude[1]);
    assert!((rolled - 30.0).abs() < 0.5, "{rolled}°");
    let moved = turn(
        truth.frames[2].camera_from_ground[0],
        truth.frames[3].camera_from_ground[0],
    ) * 60.0;
    assert!((moved - 52f64.sqrt()).abs() < 0.01, "{moved}′");
    let meta = nightloom_raster::read_meta(&place.join(&truth.frames[0].path)).expect("EXIF");
    // 18:42:20 UTC is 20:42:20 there, and the clock is an hour ahead.
    assert!(
        meta.taken_local
            .as_deref()
            .is_some_and(|t| t.starts_with("2024-11-20T21:42:20")),
        "{meta:?}"
    );
    assert_eq!(meta.taken_offset.as_deref(), Some("+02:00"));
    let [latitude, longitude] = meta.gps_deg.expect("a position");
    assert!((latitude - 45.42).abs() < 1e-4 && (longitude - 24.10).abs() < 1e-4);
}
