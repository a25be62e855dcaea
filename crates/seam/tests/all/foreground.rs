//! Edge colours: nothing of the old sky may be left in them.

use nightloom_seam::{ForegroundSettings, Work, compose, foreground, join_step, luminance};

use crate::{
    matte::matte_of,
    scene::{Ground, SceneSettings, make},
};

/// Difference allowed between the step across the join and the truth's, as a fraction of it.
const STEP_ERROR: f64 = 0.03;
/// Pixels on either side of the seam that count for the step.
const STEP_PX: usize = 4;
/// Mean error allowed at edge pixels over a sky quite unlike the old one, as a share of the old sky's level.
const HALO: f64 = 0.08;

#[test]
fn the_step_across_the_join_is_the_truths() {
    for ground in [Ground::Dark, Ground::Moonlit, Ground::Bright] {
        let scene = make(SceneSettings {
            ground,
            noise: 0.03,
            trail_left: 0.1,
            ..SceneSettings::default()
        });
        let matte = matte_of(&scene, 4);
        let land = foreground(
            scene.land.clone(),
            &matte,
            &ForegroundSettings::default(),
            &Work::quiet(),
        )
        .expect("land");
        let found = compose(&land, &scene.stars, &matte.alpha).expect("picture");
        let truth = compose(&scene.ground, &scene.stars, &scene.alpha).expect("picture");
        let step = |p| join_step(&luminance(p), &scene.alpha, STEP_PX).expect("a seam");
        let (found, truth) = (step(&found), step(&truth));
        assert!(
            (found / truth - 1.0).abs() <= STEP_ERROR,
            "{ground:?}: {found} against {truth}"
        );
    }
}

#[test]
fn no_old_sky_halos_the_branches_over_a_new_one() {
    for ground in [Ground::Dark, Ground::Moonlit, Ground::Bright] {
        let scene = make(SceneSettings {
            ground,
            noise: 0.03,
            trail_left: 0.1,
            ..SceneSettings::default()
        });
        let matte = matte_of(&scene, 4);
        let land = foreground(
            scene.land.clone(),
            &matte,
            &ForegroundSettings::default(),
            &Work::quiet(),
        )
        .expect("land");
        // A sky of a third of the light: what is left of the old one would shine.
        let mut night = scene.sky.clone();
        night
            .planes_mut()
            .iter_mut()
            .for_each(|p| p.data_mut().iter_mut().for_each(|v| *v *= 0.33));
        let found = luminance(&compose(&land, &night, &matte.alpha).expect("picture"));
        let truth = luminance(&compose(&scene.ground, &night, &scene.alpha).expect("picture"));
        let old = luminance(&scene.sky);
        let edge: Vec<f64> = (0..found.data().len())
            .filter(|&i| scene.alpha.data()[i] > 0.02 && scene.alpha.data()[i] < 0.98)
            .map(|i| f64::from((found.data()[i] - truth.data()[i]) / old.data()[i]))
            .collect();
        let mean = edge.iter().sum::<f64>() / edge.len() as f64;
        assert!(
            mean.abs() < HALO,
            "{ground:?}: edge pixels are off by {mean} of the old sky"
        );
    }
}

#[test]
fn pure_land_is_untouched() {
    let scene = make(SceneSettings::default());
    let matte = matte_of(&scene, 1);
    let land = foreground(
        scene.land.clone(),
        &matte,
        &ForegroundSettings::default(),
        &Work::quiet(),
    )
    .expect("land");
    for (i, &a) in matte.alpha.data().iter().enumerate() {
        if a == 0.0 {
            assert_eq!(land.planes()[1].data()[i], scene.land.planes()[1].data()[i]);
        }
    }
}
