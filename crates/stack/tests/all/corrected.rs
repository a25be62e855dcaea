//! A source divided by a radial factor.

use nightloom_raster::{Plane, Rgb};
use nightloom_stack::{Block, Corrected, Radial, Source};

fn fall(u: f64) -> f64 {
    (1.0 + 0.9 * u).powi(-2)
}

/// A lens's fall-off over 300 × 200, its axis beside the middle.
fn radial() -> Radial {
    let reach2 = 170f64.powi(2) + 120f64.powi(2);
    Radial {
        centre_px: [140.0, 104.5],
        values: (0..257).map(|i| fall(f64::from(i) / 256.0) as f32).collect(),
        reach2_px: reach2,
    }
}

fn darkened(light: f32) -> Plane {
    let by = radial();
    Plane::from_fn(300, 200, |x, y| {
        let d2 = (x as f64 - by.centre_px[0]).powi(2) + (y as f64 - by.centre_px[1]).powi(2);
        light * fall(d2 / by.reach2_px) as f32
    })
}

/// An even light that fell off is even again, to the straight lines between the knots.
#[test]
fn even_light_is_even_again() {
    let picture = Rgb::from_planes([0.2, 0.5, 0.8].map(darkened));
    let by = radial();
    let corrected = Corrected {
        source: &picture,
        by: &by,
    };
    assert_eq!((corrected.size(), corrected.planes()), ((300, 200), 3));
    for (plane, light) in [0.2f32, 0.5, 0.8].into_iter().enumerate() {
        let mut rows = vec![0.0; 300 * 200];
        corrected.read_rows(plane, 0, 200, &mut rows).unwrap();
        let worst = rows.iter().map(|v| (v / light - 1.0).abs()).fold(0.0, f32::max);
        assert!(worst < 2e-5, "{worst}");
    }
}

/// Blocks and rows in any pieces are the same pixels.
#[test]
fn pieces_are_parts_of_the_whole() {
    let (picture, by) = (darkened(0.6), radial());
    let corrected = Corrected {
        source: &picture,
        by: &by,
    };
    let mut whole = vec![0.0; 300 * 200];
    corrected.read_rows(0, 0, 200, &mut whole).unwrap();
    let mut some = vec![0.0; 300 * 7];
    corrected.read_rows(0, 41, 7, &mut some).unwrap();
    assert_eq!(some[..], whole[41 * 300..48 * 300]);
    let block = Block {
        x0: 33,
        y0: 150,
        width: 50,
        height: 50,
    };
    let mut part = vec![0.0; 2500];
    corrected.read_block(0, block, &mut part).unwrap();
    for (y, row) in part.chunks(50).enumerate() {
        let from = (150 + y) * 300 + 33;
        assert_eq!(row[..], whole[from..from + 50]);
    }
    assert!(corrected.read_rows(1, 0, 1, &mut part[..300]).is_err());
}

/// Beyond the last knot the factor stays; one knot is one factor.
#[test]
fn the_last_factor_holds_beyond() {
    let two = Radial {
        centre_px: [0.0, 0.0],
        values: vec![1.0, 0.5],
        reach2_px: 100.0,
    };
    assert_eq!(
        (two.at(0.0, 0.0), two.at(6.0, 8.0), two.at(600.0, 8.0)),
        (1.0, 0.5, 0.5)
    );
    let one = Radial {
        values: vec![0.25],
        ..two
    };
    assert_eq!(one.at(3.0, 4.0), 0.25);
}
