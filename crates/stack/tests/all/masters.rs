use nightloom_raster::{Cfa, Mosaic, Plane};
use nightloom_stack::{
    Calibration, CalibrationError, Dark, HotPixels, HotSettings, MasterError, MasterSettings, Normalise,
    Source, calibrate, find_hot_in_frame, find_hot_pixels, flat_from_master, master,
};

use crate::scene::{Random, add_star};

const W: usize = 160;
const H: usize = 120;

fn noisy(seed: u64, level: f64, sigma: f64) -> Plane {
    let mut random = Random::new(seed);
    Plane::from_fn(W, H, |_, _| (level + sigma * random.normal()) as f32)
}

fn sources(frames: &[Plane]) -> Vec<&dyn Source> {
    frames.iter().map(|f| f as _).collect()
}

fn sigma(plane: &Plane) -> f64 {
    let n = plane.data().len() as f64;
    let mean = plane.data().iter().map(|v| f64::from(*v)).sum::<f64>() / n;
    (plane
        .data()
        .iter()
        .map(|v| (f64::from(*v) - mean).powi(2))
        .sum::<f64>()
        / n)
        .sqrt()
}

#[test]
fn particle_hits_go_and_noise_falls_as_the_root_of_n() {
    const TOLERANCE: f64 = 0.05;
    for n in [2usize, 3, 6, 15] {
        let mut frames: Vec<Plane> = (0..n as u64).map(|i| noisy(i, 0.01, 0.001)).collect();
        for (i, frame) in frames.iter_mut().enumerate() {
            *frame.at_mut(20 + i, 40) += 0.3;
        }
        let out = master(&sources(&frames), &MasterSettings::default()).unwrap();
        let expected = 0.001 / (n as f64).sqrt();
        let got = sigma(&out.plane);
        assert!(
            (got / expected - 1.0).abs() < TOLERANCE,
            "{n} frames: noise {got}, {expected} is right"
        );
        assert!(
            (f64::from(out.noise) / expected - 1.0).abs() < TOLERANCE,
            "{n} frames: says {}",
            out.noise
        );
        for i in 0..n {
            assert!(
                (out.plane.at(20 + i, 40) - 0.01).abs() < 0.005,
                "{n} frames: a hit is left"
            );
        }
    }
}

#[test]
fn the_band_height_does_not_change_the_master() {
    let frames: Vec<Plane> = (0..300).map(|i| noisy(i, 0.01, 0.001)).collect();
    let with = |memory_mib| {
        master(
            &sources(&frames),
            &MasterSettings {
                memory_mib,
                ..Default::default()
            },
        )
        .unwrap()
        .plane
    };
    assert_eq!(with(1), with(64));
}

#[test]
fn flats_of_drifting_light_give_the_vignetting_but_not_the_colour() {
    const TOLERANCE: f32 = 0.01;
    let cfa = Cfa::RGGB;
    let vignette =
        |x: usize, y: usize| 1.0 - 0.5 * ((x as f64 - 80.0).hypot(y as f64 - 60.0) / 100.0).powi(2);
    let frames: Vec<Plane> = (0..6u64)
        .map(|i| {
            let mut random = Random::new(i);
            let light = 0.3 + 0.06 * i as f64;
            let colour = [0.5, 1.0, 0.7];
            Plane::from_fn(W, H, |x, y| {
                (light * colour[cfa.colour(x, y)] * vignette(x, y) * (1.0 + 0.01 * random.normal())) as f32
            })
        })
        .collect();
    let settings = MasterSettings {
        normalise: Normalise::PerFilter(cfa),
        ..Default::default()
    };
    let flat = flat_from_master(&master(&sources(&frames), &settings).unwrap().plane, None, cfa);
    let mean = (0..H)
        .flat_map(|y| (0..W).map(move |x| vignette(x, y)))
        .sum::<f64>()
        / (W * H) as f64;
    let mut worst = 0.0f32;
    for y in 0..H {
        for x in 0..W {
            worst = worst.max((flat.at(x, y) / (vignette(x, y) / mean) as f32 - 1.0).abs());
        }
    }
    assert!(worst < 3.0 * TOLERANCE, "the worst pixel is off by {worst}");
    let [centre, corner] =
        [(80, 60), (1, 1)].map(|(x, y)| (0..4).map(|k| flat.at(x + k % 2, y + k / 2)).sum::<f32>() / 4.0);
    assert!((corner / centre - (vignette(1, 1) / vignette(80, 60)) as f32).abs() < TOLERANCE);
}

#[test]
fn a_calibrated_frame_is_the_scene() {
    const TOLERANCE: f32 = 1e-6;
    let bias = Plane::from_fn(W, H, |x, _| 0.001 * (x % 3) as f32);
    let dark = Plane::from_fn(W, H, |x, y| bias.at(x, y) + 0.01);
    let flat = Plane::from_fn(W, H, |x, _| if x == 7 { 0.0 } else { 0.5 + x as f32 / W as f32 });
    // A third of the dark's time.
    let seen = |x: usize, y: usize| 0.2 * flat.at(x, y) + bias.at(x, y) + 0.01 / 3.0;
    let mut frame = Mosaic {
        plane: Plane::from_fn(W, H, seen),
        cfa: Cfa::RGGB,
    };
    *frame.plane.at_mut(50, 50) = 0.9;
    let calibration = Calibration {
        bias: Some(bias.into()),
        dark: Some(Dark {
            plane: dark.into(),
            scale: 1.0 / 3.0,
        }),
        flat: Some(flat.into()),
        hot: HotPixels::new(vec![[50, 50], [9999, 3]]),
    };
    let report = calibrate(&mut frame, &calibration).unwrap();
    assert_eq!((report.repaired, report.undivided), (1, H));
    for y in 0..H {
        for x in (0..W).filter(|x| *x != 7) {
            assert!(
                (frame.plane.at(x, y) - 0.2).abs() < TOLERANCE,
                "{} at {x}, {y}",
                frame.plane.at(x, y)
            );
        }
    }
}

#[test]
fn a_dark_without_a_bias_is_scaled_as_a_whole() {
    let mut frame = Mosaic {
        plane: Plane::filled(8, 8, 0.5),
        cfa: Cfa::RGGB,
    };
    let dark = Some(Dark {
        plane: Plane::filled(8, 8, 0.1).into(),
        scale: 0.25,
    });
    let calibration = Calibration {
        dark,
        ..Default::default()
    };
    calibrate(&mut frame, &calibration).unwrap();
    assert!((frame.plane.at(3, 3) - 0.475).abs() < 1e-6);
}

#[test]
fn masters_of_the_wrong_size_are_refused() {
    let mut frame = Mosaic {
        plane: Plane::filled(8, 8, 0.5),
        cfa: Cfa::RGGB,
    };
    let calibration = Calibration {
        flat: Some(Plane::filled(8, 6, 1.0).into()),
        ..Default::default()
    };
    let error = calibrate(&mut frame, &calibration).unwrap_err();
    assert_eq!(
        error,
        CalibrationError::Size {
            which: "flat",
            expected: (8, 8),
            got: (8, 6)
        }
    );
    let frames = [Plane::filled(4, 4, 0.0), Plane::filled(4, 5, 0.0)];
    let error = master(&sources(&frames), &MasterSettings::default()).unwrap_err();
    assert!(matches!(error, MasterError::Size { index: 1, .. }));
    assert!(matches!(
        master(&[], &MasterSettings::default()),
        Err(MasterError::Empty)
    ));
    let settings = MasterSettings {
        normalise: Normalise::Whole,
        ..Default::default()
    };
    assert!(matches!(
        master(&sources(&frames[..1]), &settings),
        Err(MasterError::DarkFlat { index: 0, .. })
    ));
}

/// Hot pixels of very different height in a sky with stars of 1.5 px full width, which is sharper
/// than lenses wide open draw; all of the bright hot ones must be found and no star be taken.
#[test]
fn hot_pixels_are_found_and_star_cores_survive() {
    let mut random = Random::new(8);
    let mut plane = noisy(1, 0.05, 0.002);
    let mut stars = Vec::new();
    for y in (10..H - 8).step_by(12) {
        for x in (10..W - 8).step_by(12) {
            let at = (
                x as f64 + random.between(-0.5, 0.5),
                y as f64 + random.between(-0.5, 0.5),
            );
            add_star(
                &mut plane,
                at.0,
                at.1,
                0.05 * 10f64.powf(random.between(0.0, 1.6)),
                1.5,
            );
            stars.push(at);
        }
    }
    let hot: Vec<[u32; 2]> = (0..60)
        .map(|k| [4 + 12 * (k % 13), 4 + 12 * (k / 13) + k % 3])
        .collect();
    for (k, p) in hot.iter().enumerate() {
        *plane.at_mut(p[0] as usize, p[1] as usize) += 0.06 + 0.012 * k as f32;
    }
    let found = find_hot_in_frame(
        &Mosaic {
            plane,
            cfa: Cfa::RGGB,
        },
        &HotSettings::default(),
    );
    let real = found.places.iter().filter(|p| hot.contains(p)).count();
    assert_eq!(
        real,
        found.places.len(),
        "{:?} are not hot",
        found.places.len() - real
    );
    assert!(real >= 57, "{real} of 60 hot pixels found");
}

/// In cells of 6 × 6 and without filters: stars of FWHM 1.6 px and more are none, hot pixels of every colour are.
#[test]
fn hot_pixels_are_told_from_stars_in_cells_of_six_and_without_filters() {
    for (cfa, seed) in [
        (Cfa::X_TRANS, 21),
        (Cfa::X_TRANS.moved(2, 5), 22),
        (Cfa::NONE, 23),
    ] {
        let part = [0.5, 1.0, 0.6];
        let mut random = Random::new(seed);
        let mut light = Plane::filled(W, H, 0.02);
        for (i, j) in (0..7).flat_map(|j| (0..9).map(move |i| (i, j))) {
            let at = [
                14.0 + 16.0 * f64::from(i) + random.uniform(),
                12.0 + 16.0 * f64::from(j) + random.uniform(),
            ];
            let sigma = (1.6 + random.uniform()) / 2.355;
            for (x, y) in (0..H).flat_map(|y| (0..W).map(move |x| (x, y))) {
                let far = (x as f64 - at[0]).powi(2) + (y as f64 - at[1]).powi(2);
                *light.at_mut(x, y) += (0.4 * (-0.5 * far / (sigma * sigma)).exp()) as f32;
            }
        }
        let mut plane = Plane::from_fn(W, H, |x, y| {
            light.at(x, y) * part[cfa.colour(x, y)] + (0.0005 * random.normal()) as f32
        });
        let hot: Vec<[u32; 2]> = (0..63)
            .map(|k| [6 + 16 * (k % 9) + k % 3, 4 + 16 * (k / 9) + k % 2])
            .collect();
        for p in &hot {
            *plane.at_mut(p[0] as usize, p[1] as usize) += 0.3;
        }
        let found = find_hot_in_frame(&Mosaic { plane, cfa }, &HotSettings::default());
        let wrong: Vec<_> = found.places.iter().filter(|p| !hot.contains(p)).collect();
        assert!(wrong.is_empty(), "{cfa:?}: {wrong:?} are not hot");
        // Of those beside a star some are missed, as meant.
        assert!(
            found.places.len() >= 45,
            "{cfa:?}: {} of 63 found",
            found.places.len()
        );
    }
}

#[test]
fn a_dark_shows_its_hot_pixels_and_not_its_glow() {
    let mut dark = noisy(4, 0.002, 0.0005);
    for y in 0..H {
        for x in 0..W {
            *dark.at_mut(x, y) += 0.001 * y as f32 / H as f32;
        }
    }
    *dark.at_mut(30, 20) += 0.01;
    *dark.at_mut(31, 90) += 0.2;
    let found = find_hot_pixels(&dark, &HotSettings::default());
    assert_eq!(found.places, [[30, 20], [31, 90]]);
    assert!(found.contains(31, 90) && !found.contains(90, 31));
}

/// Amplifier glow of twenty pixels' reach at one edge, with its own shot noise: what is far above its neighbours
/// is hot, the glow is not.
#[test]
fn a_glowing_edge_is_not_hot() {
    for seed in 0..10 {
        let mut random = Random::new(seed);
        let mut dark = Plane::from_fn(W, H, |x, _| {
            let glow = 0.02 * (-(x as f64) / 20.0).exp();
            (0.001 + glow + random.normal() * (1e-8 + 3e-6 * glow).sqrt()) as f32
        });
        let hot: Vec<[u32; 2]> = (0..12).map(|k| [2 + 13 * k, 5 + (37 * k) % 110]).collect();
        for p in &hot {
            *dark.at_mut(p[0] as usize, p[1] as usize) += 0.02;
        }
        let found = find_hot_pixels(&dark, &HotSettings::default());
        let missed = hot.iter().filter(|p| !found.places.contains(p)).count();
        assert_eq!(
            (missed, found.places.len()),
            (0, hot.len()),
            "seed {seed}: {:?}",
            found.places
        );
    }
}
