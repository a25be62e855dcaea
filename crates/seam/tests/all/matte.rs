//! The matte of scenes with a known one.

use nightloom_raster::Plane;
use nightloom_seam::{Evidence, Matte, MatteSettings, SeparateSettings, Work, matte, separate};

use crate::scene::{Ground, Limb, Scene, SceneSettings, make};

/// Mean absolute error of alpha allowed over the frame, and in the band along the edge.
const FRAME_ERROR: f64 = 0.01;
const BAND_ERROR: f64 = 0.08;
/// Half width of the band, pixels: 12 px in all.
const BAND_HALF_PX: usize = 6;
/// Error allowed of the modelled sky just above the ridge, as a fraction: rms and worst.
const SKY_RMS: f64 = 0.02;
const SKY_WORST: f64 = 0.08;
/// Least share of its contrast that a thin twig must keep.
const TWIG_CONTRAST: f64 = 0.6;

pub(crate) fn matte_of(scene: &Scene, frames: usize) -> Matte {
    let evidence = Evidence::of_land(&scene.land, frames);
    let coarse = separate(&evidence, &SeparateSettings::default(), &Work::quiet()).expect("labels");
    matte(&evidence, &coarse, &MatteSettings::default(), &Work::quiet()).expect("matte")
}

/// Mean absolute error over the frame, and over pixels within the band of any edge.
pub(crate) fn errors(found: &Plane, truth: &Plane) -> (f64, f64) {
    let (width, height) = (truth.width(), truth.height());
    let mut near = vec![false; width * height];
    for y in 0..height {
        for x in 0..width {
            let a = truth.at(x, y);
            let turns = |u: usize, v: usize| u < width && v < height && (truth.at(u, v) >= 0.5) != (a >= 0.5);
            if (a > 0.0 && a < 1.0) || turns(x + 1, y) || turns(x, y + 1) {
                for v in y.saturating_sub(BAND_HALF_PX)..(y + BAND_HALF_PX + 1).min(height) {
                    let row = v * width;
                    near[row + x.saturating_sub(BAND_HALF_PX)..row + (x + BAND_HALF_PX + 1).min(width)]
                        .fill(true);
                }
            }
        }
    }
    let away: Vec<f64> = found
        .data()
        .iter()
        .zip(truth.data())
        .map(|(a, b)| f64::from((a - b).abs()))
        .collect();
    let band: Vec<f64> = away
        .iter()
        .zip(&near)
        .filter(|(_, near)| **near)
        .map(|(d, _)| *d)
        .collect();
    let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len().max(1) as f64;
    (mean(&away), mean(&band))
}

fn scene(ground: Ground, frames: usize) -> Scene {
    let (noise, trail_left) = if frames == 1 { (0.06, 1.0) } else { (0.03, 0.1) };
    make(SceneSettings {
        ground,
        noise,
        trail_left,
        ..SceneSettings::default()
    })
}

#[test]
fn error_stays_within_the_bars_for_every_kind_of_land() {
    for ground in [Ground::Dark, Ground::Moonlit, Ground::Bright] {
        for frames in [1, 4] {
            let scene = scene(ground, frames);
            let (frame, band) = errors(&matte_of(&scene, frames).alpha, &scene.alpha);
            assert!(
                frame <= FRAME_ERROR,
                "{ground:?}, {frames} frames: {frame} over the frame"
            );
            assert!(
                band <= BAND_ERROR,
                "{ground:?}, {frames} frames: {band} in the band"
            );
        }
    }
}

#[test]
fn thin_twigs_keep_their_contrast() {
    for ground in [Ground::Dark, Ground::Moonlit, Ground::Bright] {
        let scene = scene(ground, 4);
        let alpha = matte_of(&scene, 4).alpha;
        let (mut found, mut truth) = (0.0f64, 0.0f64);
        for (x, y) in scene.twigs.iter().flat_map(points) {
            if x < alpha.width() && y < alpha.height() {
                found += f64::from(1.0 - alpha.at(x, y));
                truth += f64::from(1.0 - scene.alpha.at(x, y));
            }
        }
        assert!(truth > 50.0, "the scene has too few twigs to judge");
        let kept = found / truth;
        assert!(kept >= TWIG_CONTRAST, "{ground:?}: twigs keep {kept}");
        assert!(kept <= 1.4, "{ground:?}: twigs thicken to {kept}");
    }
}

fn points(l: &Limb) -> Vec<(usize, usize)> {
    (0..=10)
        .map(|k| {
            let t = k as f32 / 10.0;
            let at = |i: usize| (l.a[i] + t * (l.b[i] - l.a[i])).round().max(0.0) as usize;
            (at(0), at(1))
        })
        .collect()
}

#[test]
fn open_sky_is_exactly_one_and_deep_land_exactly_zero() {
    let scene = scene(Ground::Moonlit, 4);
    let alpha = matte_of(&scene, 4).alpha;
    let settings = SceneSettings::default();
    for x in 0..settings.width {
        for y in 0..80 {
            assert_eq!(alpha.at(x, y), 1.0, "sky at ({x}, {y})");
        }
        let ridge = crate::scene::ridge(x as f32, &settings) as usize;
        for y in ridge + 40..settings.height {
            assert_eq!(alpha.at(x, y), 0.0, "land at ({x}, {y})");
        }
    }
}

#[test]
fn sky_only_and_land_only_pictures_have_flat_mattes() {
    for (ground, value) in [(Ground::None, 1.0), (Ground::Only, 0.0)] {
        let scene = scene(ground, 4);
        let found = matte_of(&scene, 4);
        assert!(found.alpha.data().iter().all(|a| *a == value), "{ground:?}");
        assert_eq!(found.sky_fraction, f64::from(value));
    }
}

#[test]
fn the_sky_behind_the_edge_is_known_to_a_few_percent() {
    let scene = scene(Ground::Dark, 4);
    let model = matte_of(&scene, 4).sky_model;
    let settings = SceneSettings::default();
    let mut misses = Vec::new();
    for x in (0..settings.width).step_by(5) {
        let y = crate::scene::ridge(x as f32, &settings) as usize - 2;
        misses.extend((0..3).map(|c| f64::from(model.at(x, y)[c] / scene.sky.at(x, y)[c]) - 1.0));
    }
    let rms = (misses.iter().map(|m| m * m).sum::<f64>() / misses.len() as f64).sqrt();
    let worst = misses.iter().fold(0.0f64, |w, m| w.max(m.abs()));
    assert!(rms < SKY_RMS && worst < SKY_WORST, "rms {rms}, worst {worst}");
}

#[test]
fn same_bytes_on_one_thread_and_on_many() {
    let scene = make(SceneSettings {
        width: 240,
        height: 160,
        ..SceneSettings::default()
    });
    let on = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .expect("threads");
        pool.install(|| matte_of(&scene, 4).alpha)
    };
    assert!(on(1) == on(3), "the matte depends on the number of threads");
}
