//! Land in painted frames: a dark ridge, a textured slope, sky alone.

use nightloom_raster::Plane;
use nightloom_stars::{DetectSettings, measure};

use crate::scene::{Look, Random, Source, expose, paint};

const WIDTH: usize = 1200;
const HEIGHT: usize = 800;
/// Pixels of sky beside the border that may be taken for land: the margin and the smear.
const MARGIN_PX: f64 = 80.0;

fn ridge(x: usize) -> f64 {
    520.0 + 60.0 * (x as f64 / 170.0).sin() + 25.0 * (x as f64 / 41.0).sin()
}

/// Sky with a gradient and stars, land below the ridge as `ground` paints it, smeared across by `smear` pixels.
fn frame(random: &mut Random, smear: usize, ground: impl Fn(usize, usize, &mut Random) -> f64) -> Plane {
    let look = Look::default();
    let sources: Vec<Source> = (0..700)
        .map(|_| Source {
            x: random.range(2.0, WIDTH as f64 - 3.0),
            y: random.range(2.0, HEIGHT as f64 - 3.0),
            electrons: random.flux(700.0),
        })
        .collect();
    let mut plane = paint(WIDTH, HEIGHT, &sources, &look);
    let land = Plane::from_fn(WIDTH, HEIGHT, |x, y| {
        if y as f64 > ridge(x) {
            ground(x, y, random) as f32
        } else {
            -1.0
        }
    });
    for y in 0..HEIGHT {
        for x in 0..WIDTH {
            // A light dome low down.
            *plane.at_mut(x, y) += 150.0 * (y as f32 / HEIGHT as f32).powi(3);
            let over: Vec<f32> = (0..=smear).map(|s| land.at((x + s).min(WIDTH - 1), y)).collect();
            let covered = over.iter().filter(|v| **v >= 0.0).count() as f32 / over.len() as f32;
            let light: f32 = over.iter().filter(|v| **v >= 0.0).sum::<f32>() / over.len() as f32;
            *plane.at_mut(x, y) = plane.at(x, y) * (1.0 - covered) + light;
        }
    }
    expose(plane, &look, random)
}

fn check(image: &Plane, smear: f64) {
    let field = measure(image, &DetectSettings::default());
    let (mut missed, mut over, mut land, mut sky) = (0, 0, 0, 0);
    for y in (4..HEIGHT).step_by(8) {
        for x in (4..WIDTH).step_by(8) {
            let depth = (0..=smear as usize)
                .map(|s| y as f64 - ridge((x + s).min(WIDTH - 1)))
                .fold(f64::MIN, f64::max);
            let masked = field.land.is_land(x as f64, y as f64);
            if depth > 0.0 {
                land += 1;
                missed += usize::from(!masked);
            } else if depth < -MARGIN_PX {
                sky += 1;
                over += usize::from(masked);
            }
        }
    }
    assert!(
        missed * 100 <= land,
        "{missed} of {land} samples of land not found"
    );
    assert!(over * 100 <= sky, "{over} of {sky} samples of sky taken for land");
    assert!(field.stars.iter().all(|s| !field.land.is_land(s.x, s.y)));
    assert!(field.stars.len() > 250, "{} stars", field.stars.len());
}

#[test]
fn a_dark_ridge_fixed_and_smeared() {
    let mut random = Random(41);
    check(&frame(&mut random, 0, |_, _, _| 40.0), 0.0);
    check(&frame(&mut random, 30, |_, _, _| 40.0), 30.0);
}

#[test]
fn a_rough_moonlit_slope_full_of_false_stars() {
    let mut random = Random(42);
    let image = frame(&mut random, 0, |x, y, random| {
        let stripes = if (x / 5 + y / 9) % 3 == 0 { 500.0 } else { 90.0 };
        if random.unit() < 0.004 {
            3_000.0
        } else {
            stripes + 150.0 * random.unit()
        }
    });
    check(&image, 0.0);
}

#[test]
fn sky_alone_gives_no_land() {
    for seed in 0..6 {
        let mut random = Random(100 + seed);
        let look = Look::default();
        let count = [60, 200, 500, 1500, 300, 900][seed as usize];
        let sources: Vec<Source> = (0..count)
            .map(|_| Source {
                x: random.range(2.0, WIDTH as f64 - 3.0),
                y: random.range(2.0, HEIGHT as f64 - 3.0),
                electrons: random.flux(600.0),
            })
            .collect();
        let mut plane = paint(WIDTH, HEIGHT, &sources, &look);
        for y in 0..HEIGHT {
            for x in 0..WIDTH {
                // Vignetting to 40 % in the corners, a light dome, a dark lane.
                let (dx, dy) = (x as f32 / WIDTH as f32 - 0.5, y as f32 / HEIGHT as f32 - 0.5);
                let shade = 1.0 - 1.2 * (dx * dx + dy * dy);
                let lane = 1.0 - 0.2 * (-((dx - 0.3 * dy) / 0.06).powi(2)).exp();
                *plane.at_mut(x, y) *= shade * lane * (1.0 + 0.8 * (dy + 0.5).powi(3));
            }
        }
        let field = measure(&expose(plane, &look, &mut random), &DetectSettings::default());
        assert_eq!(
            field.land.sky_fraction(),
            1.0,
            "seed {seed} with {} stars",
            field.stars.len()
        );
    }
}
