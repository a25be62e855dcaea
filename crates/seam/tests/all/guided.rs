//! Guided filter against OpenCV's (tests/reference/guided.csv, made by guided.py).

use nightloom_raster::Plane;
use nightloom_seam::guided::{box_mean, guided_filter};

/// Largest difference allowed, in units of alpha (0 to 1).
const TOLERANCE: f32 = 1e-4;
/// Radius and epsilon of the table.
const RADIUS: usize = 4;
const EPSILON: f32 = 1e-3;

#[test]
fn agrees_with_opencv_away_from_the_edges() {
    let table = include_str!("../reference/guided.csv");
    let rows: Vec<Vec<f32>> = table
        .lines()
        .skip(2)
        .map(|line| line.split(',').map(|v| v.parse().expect("a number")).collect())
        .collect();
    let width = rows.iter().map(|r| r[0] as usize).max().expect("rows") + 1;
    let height = rows.len() / width;
    let column = |k: usize| Plane::from_vec(width, height, rows.iter().map(|r| r[k]).collect());
    let out = guided_filter(&column(2), &column(3), RADIUS, EPSILON).expect("one size");
    let expected = column(4);
    let mut worst = 0.0f32;
    // The reference mirrors the picture at its edges, ours cuts the window; two radii inside both agree.
    for y in 2 * RADIUS..height - 2 * RADIUS {
        for x in 2 * RADIUS..width - 2 * RADIUS {
            worst = worst.max((out.at(x, y) - expected.at(x, y)).abs());
        }
    }
    assert!(worst < TOLERANCE, "off by {worst}");
}

#[test]
fn mean_of_a_window_cut_at_the_corner() {
    let plane = Plane::from_fn(4, 3, |x, y| (x + 10 * y) as f32);
    let mean = box_mean(&plane, 1);
    assert_eq!(mean.at(0, 0), (0.0 + 1.0 + 10.0 + 11.0) / 4.0);
    assert_eq!(mean.at(1, 1), 11.0);
    assert_eq!(mean.at(3, 2), (12.0 + 13.0 + 22.0 + 23.0) / 4.0);
}

#[test]
fn planes_of_two_sizes_are_refused() {
    assert!(guided_filter(&Plane::filled(3, 3, 0.0), &Plane::filled(3, 4, 0.0), 1, 0.1).is_none());
}
