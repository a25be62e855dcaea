//! The strip no tracked frame saw.

use nightloom_raster::{Plane, Rgb};
use nightloom_seam::{FillSettings, Gap, ToneMatchSettings, Work, fill_sky, match_sky};

use crate::{
    matte::matte_of,
    scene::{Dice, Ground, Scene, SceneSettings, make, ridge},
};

/// Height of the strip that was not seen, pixels above the ridge.
const STRIP_PX: f32 = 40.0;
/// Error allowed of the filled sky's level, as a fraction of it (mean over the strip).
const FILL_ERROR: f64 = 0.03;
/// Step allowed where fill and stack meet, as a fraction of the level.
const FILL_STEP: f64 = 0.015;

/// The stack as tracked frames would leave it: stars, own gain, NaN where nothing was seen.
fn stack(scene: &Scene) -> (Rgb, Plane) {
    let settings = SceneSettings::default();
    let mut dice = Dice::new(3);
    let coverage = Plane::from_fn(scene.alpha.width(), scene.alpha.height(), |x, y| {
        if (y as f32) < ridge(x as f32, &settings) - STRIP_PX {
            8.0
        } else {
            0.0
        }
    });
    let planes = scene.stars.planes().each_ref().map(|p| {
        Plane::from_fn(p.width(), p.height(), |x, y| {
            let v = 0.8 * p.at(x, y);
            if coverage.at(x, y) > 0.0 {
                v * (1.0 + 0.015 * dice.normal())
            } else {
                f32::NAN
            }
        })
    });
    (Rgb::from_planes(planes), coverage)
}

#[test]
fn unseen_sky_is_filled_without_a_step_and_reported() {
    let scene = make(SceneSettings {
        ground: Ground::Dark,
        noise: 0.03,
        trail_left: 0.1,
        ..SceneSettings::default()
    });
    let matte = matte_of(&scene, 4);
    let (mut sky, coverage) = stack(&scene);
    let tone = match_sky(
        &scene.land,
        &sky,
        &matte.alpha,
        &coverage,
        &ToneMatchSettings::default(),
    )
    .expect("match");
    let gap = Gap {
        veil: None,
        coverage: &coverage,
        matte: &matte,
        tone: &tone,
        smooth: None,
    };
    let report = fill_sky(&mut sky, &gap, &FillSettings::default(), &Work::quiet()).expect("fill");
    assert!(
        sky.planes()
            .iter()
            .all(|p| p.data().iter().all(|v| v.is_finite())),
        "something stayed unfilled"
    );
    let (mut unseen, mut visible) = (0.0f64, 0.0f64);
    for (a, n) in matte.alpha.data().iter().zip(coverage.data()) {
        visible += f64::from(*a);
        unseen += if *n < 1.0 { f64::from(*a) } else { 0.0 };
    }
    assert!(
        (report.filled_fraction - unseen / visible).abs() < 1e-9,
        "{report:?}"
    );
    let settings = SceneSettings::default();
    let ratio = |from: f32, to: f32| {
        let (mut found, mut truth) = (0.0f64, 0.0f64);
        for x in (0..settings.width).filter(|x| *x < 380) {
            let edge = ridge(x as f32, &settings);
            for y in (edge - to) as usize..(edge - from) as usize {
                if scene.alpha.at(x, y) >= 1.0 {
                    // Stars are in the stack but not in the fill: compare what is not near one.
                    let clear = f64::from(scene.sky.at(x, y)[1]);
                    if (f64::from(scene.stars.at(x, y)[1]) / clear - 1.0).abs() < 0.002 {
                        found += f64::from(sky.at(x, y)[1]);
                        truth += 0.8 * clear;
                    }
                }
            }
        }
        found / truth
    };
    assert!(
        (ratio(3.0, STRIP_PX - 2.0) - 1.0).abs() < FILL_ERROR,
        "level {}",
        ratio(3.0, STRIP_PX - 2.0)
    );
    let (below, above) = (
        ratio(STRIP_PX - 8.0, STRIP_PX - 1.0),
        ratio(STRIP_PX + 1.0, STRIP_PX + 8.0),
    );
    assert!((below - above).abs() < FILL_STEP, "below {below}, above {above}");
}

#[test]
fn trails_are_left_out() {
    let scene = make(SceneSettings {
        ground: Ground::Dark,
        trail_left: 1.0,
        ..SceneSettings::default()
    });
    let matte = matte_of(&scene, 1);
    let (sky, coverage) = stack(&scene);
    let tone = match_sky(
        &scene.land,
        &sky,
        &matte.alpha,
        &coverage,
        &ToneMatchSettings::default(),
    )
    .expect("match");
    let settings = SceneSettings::default();
    let brightest = {
        let mut filled = sky.clone();
        let gap = Gap {
            veil: None,
            coverage: &coverage,
            matte: &matte,
            tone: &tone,
            smooth: None,
        };
        fill_sky(&mut filled, &gap, &FillSettings::default(), &Work::quiet()).expect("fill");
        let mut most = 0.0f32;
        for x in 0..settings.width {
            let edge = ridge(x as f32, &settings);
            for y in (edge - STRIP_PX + 2.0) as usize..edge as usize {
                if scene.alpha.at(x, y) >= 1.0 {
                    most = most.max(filled.at(x, y)[1] / (0.8 * scene.sky.at(x, y)[1]));
                }
            }
        }
        most
    };
    assert!(brightest < 1.35, "a trail is left: {brightest} of the sky");
}
