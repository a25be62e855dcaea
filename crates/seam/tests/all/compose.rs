//! Land over sky.

use nightloom_raster::{Plane, Rgb};
use nightloom_seam::{compose, compose_row, join_step, luminance};

#[test]
fn mixes_linearly_and_never_reads_a_side_without_share() {
    let mut out = [0.0; 4];
    compose_row(
        &[1.0, f32::NAN, 1.0, 3.0],
        &[f32::NAN, 2.0, 3.0, 1.0],
        &[0.0, 1.0, 0.25, 0.5],
        &mut out,
    );
    assert_eq!(out, [1.0, 2.0, 1.5, 2.0]);
}

#[test]
fn planes_of_two_sizes_are_refused_by_name() {
    let error = compose(
        &Rgb::filled(2, 2, [0.0; 3]),
        &Rgb::filled(3, 2, [0.0; 3]),
        &Plane::filled(2, 2, 0.0),
    );
    assert!(
        error
            .expect_err("two sizes")
            .to_string()
            .contains("sky layer is 3 × 2")
    );
}

#[test]
fn step_of_two_flat_halves_is_their_difference() {
    let alpha = Plane::from_fn(20, 20, |_, y| if y < 10 { 1.0 } else { 0.0 });
    let light = Plane::from_fn(20, 20, |_, y| if y < 10 { 0.5 } else { 0.2 });
    let step = join_step(&light, &alpha, 3).expect("a seam");
    assert!((step - 0.3).abs() < 1e-6);
    assert_eq!(join_step(&light, &Plane::filled(20, 20, 1.0), 3), None);
    assert_eq!(join_step(&light, &Plane::filled(4, 4, 1.0), 3), None);
}

#[test]
fn luminance_of_white_is_one() {
    let y = luminance(&Rgb::filled(2, 1, [1.0; 3])).at(1, 0);
    assert!((y - 1.0).abs() < 1e-6);
}
