//! Coarse labels of scenes with a known matte.

use std::sync::atomic::AtomicBool;

use nightloom_raster::{Plane, Rgb};
use nightloom_seam::{Evidence, Finding, SeamError, SeparateSettings, Work, separate};

use crate::scene::{Ground, Scene, SceneSettings, make};

/// Share of all pixels whose coarse label may be wrong: trees are finer than cells.
const WRONG_LABELS: f64 = 0.035;

fn wrong_share(scene: &Scene, frames: usize) -> f64 {
    let evidence = Evidence::of_land(&scene.land, frames);
    let coarse = separate(&evidence, &SeparateSettings::default(), &Work::quiet()).expect("labels");
    assert_eq!(coarse.finding, Finding::Both);
    let (width, height) = (scene.alpha.width(), scene.alpha.height());
    let mut wrong = 0usize;
    for y in 0..height {
        for x in 0..width {
            wrong += usize::from((coarse.sky_at(x, y) > 0.5) != (scene.alpha.at(x, y) > 0.5));
        }
    }
    wrong as f64 / (width * height) as f64
}

#[test]
fn land_darker_and_brighter_than_the_sky() {
    for ground in [Ground::Dark, Ground::Moonlit, Ground::Bright] {
        for (frames, trail_left) in [(1, 1.0), (4, 0.1)] {
            let scene = make(SceneSettings {
                ground,
                trail_left,
                ..SceneSettings::default()
            });
            let wrong = wrong_share(&scene, frames);
            assert!(wrong < WRONG_LABELS, "{ground:?}, {frames} frames: {wrong}");
        }
    }
}

#[test]
fn no_land_is_a_result() {
    for (frames, trail_left) in [(1, 1.0), (4, 0.1)] {
        let scene = make(SceneSettings {
            ground: Ground::None,
            trail_left,
            ..SceneSettings::default()
        });
        let evidence = Evidence::of_land(&scene.land, frames);
        let coarse = separate(&evidence, &SeparateSettings::default(), &Work::quiet()).expect("labels");
        assert_eq!(coarse.finding, Finding::SkyOnly);
        assert_eq!(coarse.sky_fraction, 1.0);
    }
}

#[test]
fn no_sky_is_a_result() {
    let scene = make(SceneSettings {
        ground: Ground::Only,
        ..SceneSettings::default()
    });
    let evidence = Evidence::of_land(&scene.land, 4);
    let coarse = separate(&evidence, &SeparateSettings::default(), &Work::quiet()).expect("labels");
    assert_eq!(coarse.finding, Finding::LandOnly);
    assert_eq!(coarse.sky_fraction, 0.0);
}

#[test]
fn a_canvas_larger_than_the_land_frame_is_read_where_it_is_finite() {
    let scene = make(SceneSettings::default());
    let (width, height) = (scene.land.width() + 80, scene.land.height() + 60);
    let planes = scene.land.planes().each_ref().map(|p| {
        Plane::from_fn(width, height, |x, y| {
            match (x.checked_sub(40), y.checked_sub(60)) {
                (Some(u), Some(v)) if u < p.width() => p.at(u, v),
                _ => f32::NAN,
            }
        })
    });
    let land = Rgb::from_planes(planes);
    let coarse = separate(
        &Evidence::of_land(&land, 1),
        &SeparateSettings::default(),
        &Work::quiet(),
    )
    .expect("labels");
    assert_eq!(coarse.finding, Finding::Both);
    let wrong = (0..scene.alpha.height())
        .flat_map(|y| (0..scene.alpha.width()).map(move |x| (x, y)))
        .filter(|&(x, y)| (coarse.sky_at(x + 40, y + 60) > 0.5) != (scene.alpha.at(x, y) > 0.5))
        .count();
    let share = wrong as f64 / scene.alpha.data().len() as f64;
    assert!(share < WRONG_LABELS, "{share}");
}

#[test]
fn bad_input_is_an_error_that_says_what_to_do() {
    let empty = Rgb::filled(100, 80, [f32::NAN; 3]);
    let settings = SeparateSettings::default();
    let error =
        separate(&Evidence::of_land(&empty, 1), &settings, &Work::quiet()).expect_err("nothing finite");
    assert_eq!(error, SeamError::Empty { what: "land picture" });
    let grey = Rgb::filled(100, 80, [0.1; 3]);
    let wild = SeparateSettings {
        long_side: 7,
        ..settings.clone()
    };
    let error = separate(&Evidence::of_land(&grey, 1), &wild, &Work::quiet()).expect_err("out of range");
    assert!(error.to_string().contains("long_side"), "{error}");
    let small = Plane::filled(3, 3, 1.0);
    let evidence = Evidence {
        coverage: Some(&small),
        ..Evidence::of_land(&grey, 1)
    };
    let error = separate(&evidence, &settings, &Work::quiet()).expect_err("two sizes");
    assert!(error.to_string().contains("coverage map is 3 × 3"), "{error}");
    let stop = AtomicBool::new(true);
    let work = Work {
        cancelled: &stop,
        progress: &|_| {},
    };
    assert_eq!(
        separate(&Evidence::of_land(&grey, 1), &settings, &work).expect_err("stopped"),
        SeamError::Cancelled
    );
}
