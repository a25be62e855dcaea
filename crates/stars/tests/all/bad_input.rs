//! Frames that show no stars, or hardly any.

use nightloom_raster::Plane;
use nightloom_stars::{DetectSettings, measure};

use crate::scene::{Look, Random, Source, expose, paint};

/// Sizes of painted frames.
const WIDTH: usize = 900;
const HEIGHT: usize = 600;

fn stars_in(plane: &Plane) -> usize {
    measure(plane, &DetectSettings::default()).stars.len()
}

#[test]
fn noise_alone_holds_hardly_a_star() {
    let mut found = 0;
    for seed in 0..4 {
        let flat = Plane::filled(WIDTH, HEIGHT, 300.0);
        found += stars_in(&expose(flat, &Look::default(), &mut Random(seed)));
    }
    // The chance of peaks above 5 sigma in 2.2 megapixels of smoothed noise is about one.
    assert!(found <= 6, "{found} stars in noise");
}

#[test]
fn a_black_frame_and_a_burnt_out_one_hold_none() {
    for level in [0.0, 1.0] {
        assert_eq!(stars_in(&Plane::filled(WIDTH, HEIGHT, level)), 0);
    }
}

#[test]
fn hot_pixels_are_no_stars() {
    let mut random = Random(21);
    let look = Look {
        sky_electrons: 4.0,
        ..Look::default()
    };
    let mut dark = Plane::filled(WIDTH, HEIGHT, 4.0);
    for _ in 0..800 {
        let (x, y) = (
            random.range(1.0, 898.0) as usize,
            random.range(1.0, 598.0) as usize,
        );
        *dark.at_mut(x, y) += random.flux(60.0).min(30_000.0) as f32;
    }
    let found = stars_in(&expose(dark, &look, &mut random));
    assert!(found <= 16, "{found} stars of 800 hot pixels");
}

#[test]
fn clouds_without_stars_hold_hardly_any() {
    let mut random = Random(22);
    let waves: Vec<[f64; 4]> = (0..40)
        .map(|_| {
            let k = random.range(0.005, 0.06);
            let turn = random.range(0.0, std::f64::consts::TAU);
            [
                k * f64::cos(turn),
                k * f64::sin(turn),
                random.range(0.0, std::f64::consts::TAU),
                0.4 / k,
            ]
        })
        .collect();
    let cloud = Plane::from_fn(WIDTH, HEIGHT, |x, y| {
        let sum: f64 = waves
            .iter()
            .map(|[a, b, c, h]| h * (a * x as f64 + b * y as f64 + c).sin())
            .sum();
        (1_500.0 + sum) as f32
    });
    let found = stars_in(&expose(cloud, &Look::default(), &mut random));
    assert!(found <= 5, "{found} stars in cloud");
}

#[test]
fn a_daylight_picture_holds_hardly_any() {
    // Blue above, hills, and boxes of all brightnesses with sharp edges.
    let mut random = Random(23);
    let mut plane = Plane::from_fn(WIDTH, HEIGHT, |x, y| {
        let hill = 300.0 + 40.0 * (x as f64 / 60.0).sin();
        if (y as f64) < hill {
            9_000.0 - 4.0 * y as f32
        } else {
            3_000.0
        }
    });
    for _ in 0..900 {
        let (x0, y0) = (
            random.range(0.0, 880.0) as usize,
            random.range(320.0, 585.0) as usize,
        );
        let (w, h) = (random.range(2.0, 30.0) as usize, random.range(2.0, 14.0) as usize);
        let level = random.range(500.0, 18_000.0) as f32;
        for y in y0..(y0 + h).min(HEIGHT) {
            for x in x0..(x0 + w).min(WIDTH) {
                *plane.at_mut(x, y) = level;
            }
        }
    }
    let found = stars_in(&expose(plane, &Look::default(), &mut random));
    assert!(found <= 20, "{found} stars by day");
}

#[test]
fn a_sharpened_eight_bit_picture_shows_its_stars_and_no_halos() {
    let mut random = Random(24);
    let look = Look::default();
    let sources: Vec<Source> = (0..150)
        .map(|_| Source {
            x: random.range(12.0, WIDTH as f64 - 13.0),
            y: random.range(12.0, HEIGHT as f64 - 13.0),
            electrons: random.flux(3_000.0),
        })
        .collect();
    let raw = expose(paint(WIDTH, HEIGHT, &sources, &look), &look, &mut random);
    // An unsharp mask over 5 x 5 pixels, then gamma 2.2 in 8 bits and back.
    let sharp = Plane::from_fn(WIDTH, HEIGHT, |x, y| {
        let (mut sum, mut n) = (0.0, 0.0);
        for py in y.saturating_sub(2)..(y + 3).min(HEIGHT) {
            for px in x.saturating_sub(2)..(x + 3).min(WIDTH) {
                sum += raw.at(px, py);
                n += 1.0;
            }
        }
        let value = raw.at(x, y) + 1.2 * (raw.at(x, y) - sum / n);
        let shown = (255.0 * (4.0 * value).clamp(0.0, 1.0).powf(1.0 / 2.2)).round() / 255.0;
        shown.powf(2.2)
    });
    let field = measure(&sharp, &DetectSettings::default());
    let near = |x: f64, y: f64| sources.iter().any(|s| (s.x - x).hypot(s.y - y) < 2.0);
    let wrong = field.stars.iter().filter(|s| !near(s.x, s.y)).count();
    assert!(wrong <= 3, "{wrong} of {} are no stars", field.stars.len());
    assert!(field.stars.len() > 110, "{} of 150", field.stars.len());
}

#[test]
fn a_frame_of_two_hundred_pixels_will_do() {
    let mut random = Random(25);
    let look = Look::default();
    let sources: Vec<Source> = (0..25)
        .map(|i| Source {
            x: 20.0 + 38.0 * f64::from(i % 5) + random.unit(),
            y: 20.0 + 38.0 * f64::from(i / 5) + random.unit(),
            electrons: 4_000.0,
        })
        .collect();
    let found = stars_in(&expose(paint(200, 200, &sources, &look), &look, &mut random));
    assert!((24..=26).contains(&found), "{found} of 25");
}
