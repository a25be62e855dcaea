//! Colour against colour-science 0.4.7 (fixture `colour.csv`, made by `reference/colour_tables.py`),
//! and the profiles against ICC.1:2010.

use nightloom_raster::colour::{self, Matrix};
use nightloom_raster::{CameraColour, Rgb, icc};

/// Entries of a matrix.
const MATRIX_TOLERANCE: f64 = 1e-9;
/// Encoded value, single precision.
const CURVE_TOLERANCE: f32 = 2e-7;
/// Linear Rec. 2020 value of a colour of luminance 1: steps of 5 nm here against 1 nm there.
const BLACK_BODY_TOLERANCE: f32 = 1e-4;
/// A number of the profile, s15Fixed16: half a step.
const FIXED_TOLERANCE: f64 = 0.5 / 65536.0 + 1e-9;

fn reference(name: &str) -> Vec<Vec<f64>> {
    let rows: Vec<Vec<f64>> = include_str!("../fixtures/colour.csv")
        .lines()
        .filter_map(|l| l.strip_prefix(name)?.strip_prefix(','))
        .map(|l| l.split(',').map(|n| n.parse().unwrap()).collect())
        .collect();
    assert!(!rows.is_empty(), "no {name} in the table");
    rows
}

fn assert_matrix(name: &str, got: Matrix) {
    for (got, want) in got.iter().flatten().zip(&reference(name)[0]) {
        assert!((got - want).abs() < MATRIX_TOLERANCE, "{name}: {got}, not {want}");
    }
}

#[test]
fn matrices_follow_from_the_primaries() {
    assert_matrix("rec2020_to_xyz", colour::rec2020_to_xyz());
    assert_matrix("srgb_to_xyz", colour::srgb_to_xyz());
    assert_matrix("rec2020_to_srgb", colour::rec2020_to_srgb());
    let adapted = colour::bradford(colour::xy_to_xyz(colour::D65_XY), colour::D50_XYZ);
    assert_matrix("bradford_d65_d50", adapted);
}

#[test]
fn inverses_undo() {
    for (there, back) in [
        (colour::rec2020_to_xyz(), colour::xyz_to_rec2020()),
        (colour::srgb_to_xyz(), colour::xyz_to_srgb()),
        (
            colour::rec2020_to_srgb(),
            colour::inverse(&colour::rec2020_to_srgb()),
        ),
    ] {
        for (y, row) in colour::product(&there, &back).iter().enumerate() {
            for (x, v) in row.iter().enumerate() {
                assert!((v - f64::from(u8::from(x == y))).abs() < 1e-12);
            }
        }
    }
}

/// The weights of the recommendation are its matrix to four places.
#[test]
fn luminance_is_the_second_row() {
    for (weight, exact) in colour::LUMINANCE.iter().zip(colour::rec2020_to_xyz()[1]) {
        assert!((f64::from(*weight) - exact).abs() < 5e-5);
    }
    assert!((colour::luminance([1.0; 3]) - 1.0).abs() < 1e-6);
}

#[test]
fn the_display_curve_is_that_of_srgb() {
    for row in reference("srgb_encode") {
        let (linear, encoded) = (row[0] as f32, row[1] as f32);
        assert!(
            (colour::srgb_encode(linear) - encoded).abs() < CURVE_TOLERANCE,
            "{linear}"
        );
        assert!(
            (colour::srgb_decode(encoded) - linear).abs() < CURVE_TOLERANCE,
            "{encoded}"
        );
    }
    assert!(colour::srgb_encode(-0.01) < 0.0);
}

#[test]
fn black_bodies_have_the_colour_of_plancks_law() {
    for row in reference("black_body") {
        for (got, want) in colour::black_body_rgb(row[0]).iter().zip(&row[3..6]) {
            assert!(
                (got - *want as f32).abs() < BLACK_BODY_TOLERANCE,
                "{} K: {got}, not {want}",
                row[0]
            );
        }
    }
    assert!(colour::black_body_rgb(0.0).iter().all(|v| v.is_finite()));
}

/// Ballesteros 2012, as tabulated: B−V 0 is 10 125 K, the sun's 0.65 gives 5778 K (published), 1.5
/// gives 3794 K.
#[test]
fn colour_index_gives_temperature() {
    for (b_v, kelvin) in [(0.0, 10_125.0), (0.65, 5778.0), (1.5, 3794.0)] {
        let got = colour::temperature_of_b_v(b_v);
        assert!((got - kelvin).abs() < 1.0, "{b_v}: {got} K, not {kelvin}");
    }
}

#[test]
fn camera_numbers_become_working_colour() {
    let camera = CameraColour {
        white_balance: [2.0, 1.0, 1.5],
        to_working: [[0.8, 0.3, -0.1], [0.1, 1.0, -0.1], [0.0, -0.2, 1.2]],
    };
    let mut picture = Rgb::filled(300, 70, [0.25, 0.5, -0.01]);
    colour::to_working(&mut picture, &camera);
    // By hand: balanced (0.5, 0.5, −0.015).
    for (got, want) in picture.at(299, 69).into_iter().zip([0.5515, 0.5515, -0.118]) {
        assert!((got - want).abs() < 1e-6, "{got}, not {want}");
    }
}

/// Where a tag's bytes are.
fn tag<'a>(profile: &'a [u8], name: &[u8; 4]) -> &'a [u8] {
    let number = |at: usize| u32::from_be_bytes(profile[at..at + 4].try_into().unwrap()) as usize;
    let entry = (0..number(128))
        .map(|i| 132 + 12 * i)
        .find(|&at| &profile[at..at + 4] == name);
    let at = entry.unwrap_or_else(|| panic!("no tag {name:?}"));
    &profile[number(at + 4)..number(at + 4) + number(at + 8)]
}

fn numbers(tag: &[u8]) -> Vec<f64> {
    tag[8..]
        .as_chunks::<4>()
        .0
        .iter()
        .map(|b| f64::from(i32::from_be_bytes(*b)) / 65536.0)
        .collect()
}

#[test]
fn profiles_are_well_formed() {
    for profile in [icc::rec2020_srgb_curve(), icc::srgb(), icc::grey_linear()] {
        assert_eq!(
            u32::from_be_bytes(profile[..4].try_into().unwrap()) as usize,
            profile.len()
        );
        assert_eq!(&profile[36..40], b"acsp");
        assert_eq!(profile.len() % 4, 0);
        assert!(profile.len() < 1024);
        assert_eq!(&tag(&profile, b"desc")[..4], b"mluc");
        assert_eq!(&tag(&profile, b"cprt")[..4], b"mluc");
    }
    assert_eq!(&icc::grey_linear()[16..20], b"GRAY");
    assert_eq!(icc::rec2020_srgb_curve(), icc::rec2020_srgb_curve());
}

/// The D50-adapted primaries of sRGB as commonly published to four places (from memory). Those were
/// adapted to a white of Z = 0.82521, the profile's is 0.8249, which moves blue's Z by 3e-4.
#[test]
fn srgb_colorants_are_the_published_ones() {
    let published = [
        (b"rXYZ", [0.4360, 0.2225, 0.0139]),
        (b"gXYZ", [0.3851, 0.7169, 0.0971]),
        (b"bXYZ", [0.1431, 0.0606, 0.7141]),
    ];
    for (name, want) in published {
        for (got, want) in numbers(tag(&icc::srgb(), name)).iter().zip(want) {
            assert!((got - want).abs() < 3.2e-4, "{got}, not {want}");
        }
    }
}

/// Colorants of Rec. 2020 are its matrix seen under D50 (colour-science), and add up to that white.
#[test]
fn rec2020_colorants_are_adapted_primaries() {
    let matrix = |name: &str| -> Matrix {
        let n = &reference(name)[0];
        [[n[0], n[1], n[2]], [n[3], n[4], n[5]], [n[6], n[7], n[8]]]
    };
    let want = colour::product(&matrix("bradford_d65_d50"), &matrix("rec2020_to_xyz"));
    let profile = icc::rec2020_srgb_curve();
    let columns = [b"rXYZ", b"gXYZ", b"bXYZ"].map(|n| numbers(tag(&profile, n)));
    for (row, want) in want.iter().enumerate() {
        for (column, want) in want.iter().enumerate() {
            assert!((columns[column][row] - want).abs() < FIXED_TOLERANCE);
        }
        let sum: f64 = columns.iter().map(|c| c[row]).sum();
        assert!((sum - colour::D50_XYZ[row]).abs() < 2.0 / 65536.0, "white: {sum}");
    }
}
