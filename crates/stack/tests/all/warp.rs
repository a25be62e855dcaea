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
fn every_pixel_of_the_source_is_covered_and_no_other() {
    const TOLERANCE: f32 = 1e-6;
    let mut random = Random::new(5);
    let plane = Plane::from_fn(20, 10, |_, _| random.uniform() as f32);
    let at = |x: usize, y: usize| plane.at(x.min(19), y.min(9));
    let same = warp(&plane, 0, &|p| Some(p), 24, 12, &WarpSettings::default()).unwrap();
    // A whole shift takes the same values from elsewhere, and one of −0.4 still lies on the first column.
    let back = |[x, y]: [f64; 2]| Some([x - 3.0, y - 2.0]);
    let back = warp(&plane, 0, &back, 24, 12, &WarpSettings::default()).unwrap();
    let half = |[x, y]: [f64; 2]| Some([x - 0.4, y + 0.4]);
    let half = warp(&plane, 0, &half, 24, 12, &WarpSettings::default()).unwrap();
    for y in 0..12 {
        for x in 0..24 {
            assert_eq!(same.at(x, y).is_finite(), x < 20 && y < 10, "at {x}, {y}");
            assert_eq!(half.at(x, y).is_finite(), x < 20 && y < 10, "at {x}, {y}");
            let inside = (3..23).contains(&x) && y >= 2;
            assert_eq!(back.at(x, y).is_finite(), inside, "at {x}, {y}");
            assert!(x >= 20 || y >= 10 || (same.at(x, y) - at(x, y)).abs() < TOLERANCE);
            assert!(!inside || (back.at(x, y) - at(x - 3, y - 2)).abs() < TOLERANCE);
        }
    }
}

/// A mirror image continues a level exactly, and a slope within a pixel's worth of it.
#[test]
fn borders_keep_levels_and_nearly_slopes() {
    const LEVEL_TOLERANCE: f32 = 1e-6;
    const SLOPE_TOLERANCE_PX: f32 = 0.7;
    let mapping = |[x, y]: [f64; 2]| Some([x + 0.37, y - 0.29]);
    let level = Plane::filled(30, 20, 0.4);
    let slope = Plane::from_fn(30, 20, |x, _| 0.1 * x as f32);
    let [level, slope] =
        [level, slope].map(|p| warp(&p, 0, &mapping, 30, 20, &WarpSettings::default()).unwrap());
    for (k, (l, s)) in level.data().iter().zip(slope.data()).enumerate() {
        let right = (k % 30) as f32 + 0.37;
        assert!((l - 0.4).abs() < LEVEL_TOLERANCE, "{l}");
        assert!((s * 10.0 - right).abs() < SLOPE_TOLERANCE_PX, "{s} at {right}");
    }
}

#[test]
fn tiny_sources_cover_themselves_and_empty_ones_nothing() {
    for (w, h) in [(0, 0), (1, 1), (2, 7), (5, 5), (100, 3)] {
        let out = warp(
            &Plane::filled(w, h, 1.0),
            0,
            &|p| Some(p),
            8,
            8,
            &WarpSettings::default(),
        )
        .unwrap();
        for (k, v) in out.data().iter().enumerate() {
            let inside = k % 8 < w && k / 8 < h;
            assert!(
                if inside {
                    (v - 1.0).abs() < 1e-6
                } else {
                    v.is_nan()
                },
                "{w} × {h}: {v}"
            );
        }
    }
}
