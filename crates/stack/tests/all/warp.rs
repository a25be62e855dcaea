use std::f64::consts::FRAC_PI_6;

use nightloom_raster::Plane;
use nightloom_stack::{MappingGrid, WarpSettings, warp};

use crate::scene::{Random, add_star};

/// A strong barrel distortion: k₁ = −0.35 with r in half diagonals, as of a wide, cheap lens, and
/// 30° of roll.
fn distorted(width: usize, height: usize) -> impl Fn([f64; 2]) -> Option<[f64; 2]> + Sync {
    let (cx, cy) = (width as f64 / 2.0, height as f64 / 2.0);
    let scale = cx.hypot(cy);
    let (s, c) = FRAC_PI_6.sin_cos();
    move |[x, y]| {
        let (u, v) = ((x - cx) / scale, (y - cy) / scale);
        let (u, v) = (c * u - s * v, s * u + c * v);
        let stretch = 1.0 - 0.35 * (u * u + v * v);
        Some([cx + scale * u * stretch, cy + scale * v * stretch])
    }
}

#[test]
fn the_coarse_grid_is_within_a_hundredth_of_a_pixel() {
    const TOLERANCE_PX: f32 = 0.01;
    let (w, h) = (1500, 1000);
    let mapping = distorted(w, h);
    let grid = MappingGrid::new(&mapping, w, h, 16);
    let (mut xs, mut ys) = (vec![0.0; w], vec![0.0; w]);
    let mut worst = 0.0f32;
    for y in (0..h).step_by(7) {
        grid.row(y, 0, &mut xs, &mut ys);
        for x in 0..w {
            let [tx, ty] = mapping([x as f64, y as f64]).unwrap();
            worst = worst
                .max((xs[x] - tx as f32).abs())
                .max((ys[x] - ty as f32).abs());
        }
    }
    assert!(worst < TOLERANCE_PX, "off by {worst} px");
}

#[test]
fn a_run_of_a_row_is_the_same_as_the_row() {
    let mapping = distorted(300, 200);
    let grid = MappingGrid::new(&mapping, 300, 200, 16);
    let (mut xs, mut ys) = (vec![0.0; 300], vec![0.0; 300]);
    grid.row(101, 0, &mut xs, &mut ys);
    let (mut part_x, mut part_y) = (vec![0.0; 77], vec![0.0; 77]);
    grid.row(101, 53, &mut part_x, &mut part_y);
    assert_eq!((&xs[53..130], &ys[53..130]), (&part_x[..], &part_y[..]));
}

#[test]
fn the_rim_of_the_domain_is_asked_exactly() {
    let mapping = |[x, y]: [f64; 2]| (x + y < 150.0).then_some([x + 0.25, y - 0.5]);
    let grid = MappingGrid::new(&mapping, 200, 100, 16);
    let (mut xs, mut ys) = (vec![0.0; 200], vec![0.0; 200]);
    for y in 0..100 {
        grid.row(y, 0, &mut xs, &mut ys);
        for (x, got) in xs.iter().enumerate() {
            assert_eq!(got.is_finite(), ((x + y) as f64) < 150.0, "at {x}, {y}");
        }
    }
}

/// Stars down to 1.3 px wide, shifted and turned: their flux, and the dark ring round them.
#[test]
fn stars_keep_their_flux_and_have_no_dark_rings() {
    const FLUX_TOLERANCE: f64 = 0.005;
    const RING_TOLERANCE: f64 = 1e-6;
    let mut random = Random::new(3);
    for fwhm in [1.3, 1.6, 2.0, 3.0] {
        for _ in 0..12 {
            let mut plane = Plane::filled(61, 61, 0.1);
            let (x, y) = (30.0 + random.between(-0.5, 0.5), 30.0 + random.between(-0.5, 0.5));
            add_star(&mut plane, x, y, 10.0, fwhm);
            let flux = |p: &Plane| p.data().iter().map(|v| f64::from(*v) - 0.1).sum::<f64>();
            let (dx, dy) = (random.uniform(), random.uniform());
            let (s, c) = random.between(-0.5, 0.5).sin_cos();
            let mapping = move |[x, y]: [f64; 2]| {
                let (u, v) = (x - 30.0, y - 30.0);
                Some([30.0 + c * u - s * v + dx, 30.0 + s * u + c * v + dy])
            };
            let mut out = warp(&plane, 0, &mapping, 61, 61, &WarpSettings::default()).unwrap();
            out.data_mut()
                .iter_mut()
                .filter(|v| v.is_nan())
                .for_each(|v| *v = 0.1);
            let lost = flux(&out) / flux(&plane) - 1.0;
            assert!(
                lost.abs() < FLUX_TOLERANCE,
                "{fwhm} px wide: flux changed by {lost}"
            );
            let least = out.data().iter().copied().fold(f32::INFINITY, f32::min);
            let (ring, peak) = (
                0.1 - f64::from(least),
                out.data().iter().copied().fold(0.0, f32::max),
            );
            assert!(
                ring < RING_TOLERANCE * f64::from(peak) + 1e-6,
                "{fwhm} px wide: a ring of {ring}"
            );
        }
    }
}

#[test]
fn what_lacks_support_is_not_covered() {
    let plane = Plane::filled(20, 10, 1.0);
    let out = warp(&plane, 0, &|p| Some(p), 24, 12, &WarpSettings::default()).unwrap();
    for y in 0..12 {
        for x in 0..24 {
            let inside = (2..17).contains(&x) && (2..7).contains(&y);
            assert_eq!(out.at(x, y).is_finite(), inside, "at {x}, {y}");
        }
    }
}

#[test]
fn tiny_and_empty_sources_cover_nothing() {
    for (w, h) in [(0, 0), (1, 1), (5, 5), (100, 3)] {
        let out = warp(
            &Plane::filled(w, h, 1.0),
            0,
            &|p| Some(p),
            8,
            8,
            &WarpSettings::default(),
        )
        .unwrap();
        assert!(out.data().iter().all(|v| v.is_nan()));
    }
}
