//! Gain and offset between two pictures of one sky.

use nightloom_raster::{Plane, Rgb};
use nightloom_seam::{ToneMatchSettings, match_sky};

use crate::{
    matte::matte_of,
    scene::{Ground, SceneSettings, make},
};

/// Error allowed of the matched sky's level, as a fraction.
const LEVEL_ERROR: f32 = 0.01;

fn changed(picture: &Rgb, gain: [f32; 3], offset: [f32; 3]) -> Rgb {
    let mut out = picture.clone();
    for (c, plane) in out.planes_mut().iter_mut().enumerate() {
        plane
            .data_mut()
            .iter_mut()
            .for_each(|v| *v = gain[c] * *v + offset[c]);
    }
    out
}

#[test]
fn gain_and_offset_come_back_under_stars_and_trails() {
    let scene = make(SceneSettings {
        ground: Ground::Moonlit,
        ..SceneSettings::default()
    });
    let matte = matte_of(&scene, 1);
    let coverage = Plane::filled(scene.alpha.width(), scene.alpha.height(), 8.0);
    for (gain, offset) in [
        ([0.7, 0.8, 0.9], [0.0; 3]),
        ([1.2, 1.0, 0.8], [0.004, 0.005, 0.003]),
    ] {
        let sky = changed(&scene.stars, gain, offset);
        let tone = match_sky(
            &scene.land,
            &sky,
            &matte.alpha,
            &coverage,
            &ToneMatchSettings::default(),
        )
        .expect("match");
        assert!(tone.blocks > 100, "{tone:?}");
        for (x, y) in [(60, 30), (300, 120), (150, 220)] {
            let (found, truth) = (
                tone.colour(scene.sky.at(x, y)),
                sky_at(&scene.sky, gain, offset, x, y),
            );
            for c in 0..3 {
                let off = (found[c] / truth[c] - 1.0).abs();
                assert!(
                    off < LEVEL_ERROR,
                    "{gain:?} {offset:?} channel {c} at ({x}, {y}): off by {off}; {tone:?}"
                );
            }
        }
    }
}

fn sky_at(sky: &Rgb, gain: [f32; 3], offset: [f32; 3], x: usize, y: usize) -> [f32; 3] {
    let v = sky.at(x, y);
    std::array::from_fn(|c| gain[c] * v[c] + offset[c])
}

#[test]
fn nothing_in_common_is_the_identity_and_says_so() {
    let scene = make(SceneSettings {
        width: 200,
        height: 150,
        ..SceneSettings::default()
    });
    let none = Plane::filled(200, 150, 0.0);
    let tone = match_sky(
        &scene.land,
        &scene.stars,
        &scene.alpha,
        &none,
        &ToneMatchSettings::default(),
    )
    .expect("match");
    assert_eq!((tone.blocks, tone.gain), (0, [1.0; 3]));
}
