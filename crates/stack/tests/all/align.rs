use nightloom_raster::Plane;
use nightloom_stack::tripod_shift;

use crate::scene::{Random, add_star};

/// Blobs of many sizes below a sky of other stars in each frame, noise, and 10 % more light in b.
fn pair(dx: f64, dy: f64, seed: u64) -> (Plane, Plane) {
    let frame = |shift: (f64, f64), light: f64, sky: u64| {
        let mut random = Random::new(seed);
        let mut plane = Plane::filled(400, 300, 0.02);
        for _ in 0..500 {
            let (x, y) = (random.between(0.0, 400.0), random.between(140.0, 300.0));
            let (flux, size) = (random.between(0.02, 1.0), random.between(3.0, 14.0));
            add_star(&mut plane, x + shift.0, y + shift.1, flux, size);
        }
        let mut random = Random::new(sky);
        for _ in 0..80 {
            add_star(
                &mut plane,
                random.between(0.0, 400.0),
                random.between(0.0, 110.0),
                1.0,
                2.0,
            );
        }
        plane
            .data_mut()
            .iter_mut()
            .for_each(|v| *v = (f64::from(*v) * light + 0.002 * random.normal()) as f32);
        plane
    };
    (frame((0.0, 0.0), 1.0, 1), frame((dx, dy), 1.1, 2))
}

fn land(_: usize, y: usize) -> bool {
    y > 150
}

#[test]
fn the_shift_is_found_to_a_few_hundredths_of_a_pixel() {
    const TOLERANCE_PX: f64 = 0.04;
    for (dx, dy) in [(0.0, 0.0), (0.3, -0.45), (2.7, 1.2), (-23.4, 11.8)] {
        let (a, b) = pair(dx, dy, 6);
        let shift = tripod_shift(&a, &b, &land).unwrap();
        let off = (shift.dx - dx).abs().max((shift.dy - dy).abs());
        assert!(off < TOLERANCE_PX, "{dx}, {dy}: {shift:?}");
        assert!(
            shift.confidence > 0.7 && shift.sigma_px < TOLERANCE_PX,
            "{shift:?}"
        );
    }
}

#[test]
fn different_pictures_have_no_confidence() {
    let (a, _) = pair(0.0, 0.0, 6);
    // The later frame, whose sky and noise are others too: the mask is only a hint.
    let (_, b) = pair(0.0, 0.0, 7);
    assert!(tripod_shift(&a, &b, &land).is_none_or(|s| s.confidence < 0.5));
    assert!(tripod_shift(&a, &Plane::filled(3, 3, 0.0), &land).is_none());
    assert!(
        tripod_shift(
            &Plane::filled(90, 90, 0.1),
            &Plane::filled(90, 90, 0.1),
            &|_, _| true
        )
        .is_none()
    );
    assert!(tripod_shift(&a, &a, &|_, _| false).is_none());
}
