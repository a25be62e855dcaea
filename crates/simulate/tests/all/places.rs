//! Stars in rendered frames against places computed apart from the crate.

use nalgebra::{Matrix3, Vector3};
use nightloom_raster::Mosaic;
use nightloom_simulate::ShotRole;

use crate::night::NIGHT;

/// Mean distance of a measured centroid from the computed place, pixels; each star's own is photon noise,
/// undersampling, and neighbours fainter by 3.5 magnitudes.
const MEAN_OFF_PX: f64 = 0.15;
const WORST_OFF_PX: f64 = 0.5;
/// Mean of measured over said light.
const LIGHT_TOLERANCE: f64 = 0.02;
/// What the truth says against the same places, pixels (proper motion and curvature of trails in it).
const TRUTH_OFF_PX: f64 = 0.02;

fn expected(frame: &str) -> Vec<(u32, [f64; 2])> {
    let lines = include_str!("../reference/places.csv")
        .lines()
        .filter(|l| l.starts_with(frame));
    lines
        .map(|line| {
            let cells: Vec<&str> = line.split(',').collect();
            let number = |i: usize| cells[i].parse::<f64>().expect("a number");
            (cells[1].parse().expect("a number"), [number(2), number(3)])
        })
        .collect()
}

/// Centre of gravity above a sloping level, each pixel divided by the star's strength in its colour. The
/// third number is the light found over the light said. The level is fitted for each colour to the window beyond `core` pixels from the place.
fn centroid(mosaic: &Mosaic, at: [f64; 2], colour: [f32; 3], core: f64) -> [f64; 3] {
    const REACH: i64 = 9;
    let window: Vec<(f64, f64, usize, f64)> = (-REACH..=REACH)
        .flat_map(|dy| (-REACH..=REACH).map(move |dx| (dx, dy)))
        .map(|(dx, dy)| (at[0].round() as i64 + dx, at[1].round() as i64 + dy))
        .map(|(x, y)| {
            let value = f64::from(mosaic.plane.at(x as usize, y as usize));
            (
                x as f64 - at[0],
                y as f64 - at[1],
                mosaic.cfa.colour(x as usize, y as usize),
                value,
            )
        })
        .collect();
    let slopes: [Vector3<f64>; 3] = std::array::from_fn(|c| {
        let ring = window.iter().filter(|p| p.2 == c && p.0.hypot(p.1) > core);
        slope(ring.map(|p| (Vector3::new(1.0, p.0, p.1), p.3)).collect())
    });
    let mut sum = [0.0; 3];
    for (x, y, c, value) in window.into_iter().filter(|p| p.0.hypot(p.1) <= core) {
        let light = (value - slopes[c].dot(&Vector3::new(1.0, x, y))) / f64::from(colour[c]);
        sum = [sum[0] + light, sum[1] + light * x, sum[2] + light * y];
    }
    [at[0] + sum[1] / sum[0], at[1] + sum[2] / sum[0], sum[0]]
}

/// A plane through the values, without those that stand out above it (other stars).
fn slope(mut points: Vec<(Vector3<f64>, f64)>) -> Vector3<f64> {
    let mut plane = Vector3::zeros();
    for _ in 0..6 {
        let (mut normal, mut right) = (Matrix3::zeros(), Vector3::zeros());
        for (row, value) in &points {
            normal += row * row.transpose();
            right += row * *value;
        }
        plane = normal.try_inverse().expect("a window has a slope") * right;
        let off = |p: &(Vector3<f64>, f64)| p.1 - plane.dot(&p.0);
        let sigma = (points.iter().map(|p| off(p).powi(2)).sum::<f64>() / points.len() as f64).sqrt();
        points.retain(|p| off(p).abs() < 2.5 * sigma);
    }
    plane
}

fn check(role: ShotRole, name: &str, core: f64) {
    let night = &*NIGHT;
    let mut mosaic = night.mosaics(role).swap_remove(0);
    // Hot pixels are taken out by the darks.
    for dark in night.mosaics(ShotRole::Dark) {
        let pairs = mosaic.plane.data_mut().iter_mut().zip(dark.plane.data());
        pairs.for_each(|(value, dark)| *value -= dark / 3.0);
    }
    let truth = night
        .truth
        .frames
        .iter()
        .find(|f| f.role == role)
        .expect("a frame");
    let places = expected(name);
    assert!(places.len() >= 8, "{} places", places.len());
    let (mut offs, mut light) = (Vec::new(), Vec::new());
    for (hip, at) in places {
        let star = truth
            .stars
            .iter()
            .find(|s| s.id == hip)
            .unwrap_or_else(|| panic!("HIP {hip} is not listed"));
        let said = (f64::from(star.at_px[0]) - at[0]).hypot(f64::from(star.at_px[1]) - at[1]);
        assert!(said < TRUTH_OFF_PX, "HIP {hip}: the truth is {said} px off");
        let found = centroid(&mosaic, at, star.electrons, core);
        offs.push((found[0] - at[0]).hypot(found[1] - at[1]));
        light.push(found[2] * night.truth.sensor.sky_saturation_e / fall_off(at));
    }
    let mean = offs.iter().sum::<f64>() / offs.len() as f64;
    assert!(mean < MEAN_OFF_PX, "{name}: mean {mean} px, {offs:.2?}");
    assert!(offs.iter().all(|&off| off < WORST_OFF_PX), "{name}: {offs:.2?}");
    let mean = light.iter().sum::<f64>() / light.len() as f64;
    assert!(
        (mean - 1.0).abs() < LIGHT_TOLERANCE,
        "{name}: light {mean}, {light:.3?}"
    );
}

/// Light of an even surface at a place, of that on the axis.
fn fall_off(at: [f64; 2]) -> f64 {
    let truth = &NIGHT.truth;
    let field =
        (at[0] - truth.lens.centre_px[0]).hypot(at[1] - truth.lens.centre_px[1]) / 900f64.hypot(600.0) * 20.0;
    let i = (field as usize).min(9);
    let table = &truth.sensor.vignetting;
    table[i] + (table[i + 1] - table[i]) * (field - i as f64)
}

#[test]
fn tracked_stars_stand_where_they_should() {
    check(ShotRole::Sky, "sky", 4.5);
}

#[test]
fn trailed_stars_stand_where_they_should() {
    check(ShotRole::Land, "land", 6.5);
}
