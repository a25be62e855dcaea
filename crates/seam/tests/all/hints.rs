//! Strokes of the brush: what they correct, and what they leave alone.

use nightloom_raster::Plane;
use nightloom_seam::{
    Coarse, Evidence, Matte, MatteSettings, Patch, SeparateSettings, Side, Stroke, Work, apply,
    group_strokes, matte, read_edge, separate, solve_group, write_edge,
};

use crate::scene::{Ground, Scene, SceneSettings, make};

/// Pixels this far from a stroke and what it corrects are the same to the bit.
const FAR_PX: usize = 120;

struct Solved {
    coarse: Coarse,
    matte: Matte,
}

fn base(scene: &Scene) -> Solved {
    let evidence = Evidence::of_land(&scene.land, 4);
    let coarse = separate(&evidence, &SeparateSettings::default(), &Work::quiet()).expect("labels");
    let matte = matte(&evidence, &coarse, &MatteSettings::default(), &Work::quiet()).expect("matte");
    Solved { coarse, matte }
}

fn patches(scene: &Scene, base: &Solved, strokes: &[Stroke]) -> Vec<Patch> {
    let evidence = Evidence::of_land(&scene.land, 4);
    let settings = MatteSettings::default();
    let groups = group_strokes(&base.coarse, strokes, &settings);
    let solve = |group| {
        let work = Work::quiet();
        solve_group(
            &evidence,
            &base.coarse,
            &base.matte,
            strokes,
            group,
            &settings,
            &work,
        )
        .expect("a patch")
    };
    groups.iter().map(solve).collect()
}

fn retouched(scene: &Scene, base: &Solved, strokes: &[Stroke]) -> Matte {
    let evidence = Evidence::of_land(&scene.land, 4);
    let (mut coarse, mut matte) = (base.coarse.clone(), base.matte.clone());
    let patches = patches(scene, base, strokes);
    let settings = MatteSettings::default();
    apply(
        &evidence,
        &mut coarse,
        &mut matte,
        &patches,
        &settings,
        &Work::quiet(),
    )
    .expect("applied");
    matte
}

/// A wide scene, so that "far away" is somewhere.
fn scene() -> Scene {
    make(SceneSettings {
        width: 900,
        height: 500,
        ground: Ground::Moonlit,
        noise: 0.03,
        trail_left: 0.1,
        ..SceneSettings::default()
    })
}

/// Whether a pixel lies in an ellipse about a middle.
fn within([x, y]: [usize; 2], middle: [f32; 2], half: [f32; 2]) -> bool {
    let part = |v: usize, i: usize| ((v as f32 - middle[i]) / half[i]).powi(2);
    part(x, 0) + part(y, 1) < 1.0
}

const HILL: ([f32; 2], [f32; 2]) = ([480.0, 300.0], [110.0, 70.0]);
/// Its light against the sky's.
const HAZE: f32 = 0.88;
/// Its upper part, free of trees.
const SUMMIT: ([f32; 2], [f32; 2]) = ([480.0, 255.0], [60.0, 15.0]);
const CLOUD: ([f32; 2], [f32; 2]) = ([620.0, 120.0], [70.0, 30.0]);

/// A hill in the haze, so little darker than the sky that it is taken for sky.
fn with_hill(mut scene: Scene) -> Scene {
    for y in 0..scene.alpha.height() {
        for x in 0..scene.alpha.width() {
            if within([x, y], HILL.0, HILL.1) && scene.alpha.at(x, y) > 0.99 {
                scene
                    .land
                    .planes_mut()
                    .iter_mut()
                    .for_each(|p| *p.at_mut(x, y) *= HAZE);
            }
        }
    }
    scene
}

fn mean(alpha: &Plane, of: ([f32; 2], [f32; 2]), shrink: f32) -> f32 {
    let (mut sum, mut n) = (0.0, 0.0);
    for y in 0..alpha.height() {
        for x in 0..alpha.width() {
            if within([x, y], of.0, of.1.map(|v| v * shrink)) {
                sum += alpha.at(x, y);
                n += 1.0;
            }
        }
    }
    sum / n
}

fn same_far_from(a: &Plane, b: &Plane, of: ([f32; 2], [f32; 2])) {
    let mut counted = 0;
    for y in 0..a.height() {
        for x in 0..a.width() {
            if !within([x, y], of.0, of.1.map(|v| v + FAR_PX as f32)) {
                assert_eq!(a.at(x, y), b.at(x, y), "({x}, {y})");
                counted += 1;
            }
        }
    }
    assert!(counted > a.data().len() / 3, "hardly anything is far");
}

fn stroke(side: Side, radius_px: f32, points: &[[f32; 2]]) -> Stroke {
    Stroke {
        side,
        radius_px,
        points: points.to_vec(),
    }
}

#[test]
fn one_stroke_turns_a_hazy_hill_into_land_and_leaves_the_rest() {
    let scene = with_hill(scene());
    let base = base(&scene);
    let before = mean(&base.matte.alpha, SUMMIT, 1.0);
    assert!(before > 0.8, "the hill was no trouble: {before}");
    let across = stroke(Side::Land, 6.0, &[[430.0, 262.0], [530.0, 258.0]]);
    let after = retouched(&scene, &base, &[across]);
    let now = mean(&after.alpha, SUMMIT, 1.0);
    assert!(now < 0.02, "the hill is still sky: {now}");
    same_far_from(&base.matte.alpha, &after.alpha, HILL);
}

#[test]
fn one_stroke_turns_a_dark_cloud_into_sky_and_leaves_the_rest() {
    let mut scene = scene();
    for y in 0..scene.alpha.height() {
        for x in 0..scene.alpha.width() {
            let hangs = (0..9).any(|k| within([x, y], [620.0, 120.0 + 30.0 * k as f32], [70.0, 30.0]));
            if hangs && scene.alpha.at(x, y) > 0.99 {
                scene
                    .land
                    .planes_mut()
                    .iter_mut()
                    .for_each(|p| *p.at_mut(x, y) *= 0.4);
            }
        }
    }
    let base = base(&scene);
    let before = mean(&base.matte.alpha, CLOUD, 0.8);
    assert!(before < 0.2, "the cloud was no trouble: {before}");
    let down = stroke(Side::Sky, 8.0, &[[620.0, 110.0], [620.0, 300.0]]);
    let after = retouched(&scene, &base, &[down]);
    let now = mean(&after.alpha, CLOUD, 0.8);
    assert!(now > 0.9, "the cloud is still land: {now}");
    same_far_from(&base.matte.alpha, &after.alpha, ([620.0, 220.0], [80.0, 170.0]));
}

#[test]
fn brushed_pixels_are_what_was_said_whatever_they_look_like() {
    let scene = scene();
    let base = base(&scene);
    let strokes = [
        stroke(Side::Land, 3.0, &[[450.0, 60.0], [450.0, 160.0]]),
        stroke(Side::Sky, 4.0, &[[700.0, 440.0], [760.0, 440.0]]),
    ];
    let after = retouched(&scene, &base, &strokes);
    for y in 60..=160 {
        assert_eq!(after.alpha.at(450, y), 0.0, "land at {y}");
    }
    for x in 700..=760 {
        assert_eq!(after.alpha.at(x, 440), 1.0, "sky at {x}");
    }
    // A stroke over the open sky speaks for itself alone.
    for y in 60..=160 {
        for x in [430, 470] {
            assert_eq!(after.alpha.at(x, y), base.matte.alpha.at(x, y), "({x}, {y})");
        }
    }
}

#[test]
fn strokes_far_apart_are_solved_apart_and_the_later_one_wins_where_they_cross() {
    let scene = scene();
    let base = base(&scene);
    let strokes = [
        stroke(Side::Land, 5.0, &[[100.0, 100.0], [160.0, 100.0]]),
        stroke(Side::Sky, 5.0, &[[800.0, 450.0]]),
        stroke(Side::Sky, 5.0, &[[130.0, 80.0], [130.0, 120.0]]),
        stroke(Side::Land, 5.0, &[[-500.0, -500.0]]),
    ];
    let groups = group_strokes(&base.coarse, &strokes, &MatteSettings::default());
    let members: Vec<&[usize]> = groups.iter().map(|g| &g.members[..]).collect();
    assert_eq!(members, [&[0, 2][..], &[1][..]]);
    let after = retouched(&scene, &base, &strokes);
    assert_eq!(after.alpha.at(130, 100), 1.0);
    assert_eq!(after.alpha.at(110, 100), 0.0);
}

#[test]
fn no_stroke_changes_nothing_and_threads_do_not_matter() {
    let scene = with_hill(scene());
    let base = base(&scene);
    assert!(retouched(&scene, &base, &[]).alpha == base.matte.alpha);
    let across = [stroke(Side::Land, 6.0, &[[430.0, 262.0], [530.0, 258.0]])];
    let on = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .expect("threads");
        pool.install(|| retouched(&scene, &base, &across).alpha)
    };
    assert!(on(1) == on(3), "the patch depends on the number of threads");
}

#[test]
fn land_can_be_brushed_into_a_picture_of_sky_alone_and_sky_into_one_of_land() {
    for (ground, side) in [(Ground::None, Side::Land), (Ground::Only, Side::Sky)] {
        let scene = make(SceneSettings {
            ground,
            ..SceneSettings::default()
        });
        let base = base(&scene);
        let after = retouched(
            &scene,
            &base,
            &[stroke(side, 12.0, &[[200.0, 200.0], [300.0, 200.0]])],
        );
        assert_eq!(after.alpha.at(250, 200), side.alpha(), "{ground:?}");
        assert_eq!(after.alpha.at(20, 20), 1.0 - side.alpha(), "{ground:?}");
        assert!(after.alpha.data().iter().all(|a| a.is_finite()));
    }
}

#[test]
fn what_was_found_is_kept_to_the_bit_and_half_a_file_is_refused() {
    let scene = with_hill(scene());
    let base = base(&scene);
    let mut bytes = Vec::new();
    write_edge(&mut bytes, &base.coarse, &base.matte).expect("written");
    let (coarse, matte) = read_edge(&mut &bytes[..], &scene.land).expect("read");
    assert!(matte.alpha == base.matte.alpha);
    let stroke = [stroke(Side::Land, 6.0, &[[430.0, 262.0], [530.0, 258.0]])];
    let again = Solved { coarse, matte };
    let [now, then] = [&again, &base].map(|b| retouched(&scene, b, &stroke).alpha);
    assert!(now == then, "a kept edge is retouched otherwise");
    for end in [0, 7, 30, bytes.len() / 2, bytes.len() - 1] {
        assert!(read_edge(&mut &bytes[..end], &scene.land).is_err(), "{end} bytes");
    }
    let other = nightloom_raster::Rgb::filled(300, 200, [0.1; 3]);
    assert!(read_edge(&mut &bytes[..], &other).is_err(), "another picture");
}
