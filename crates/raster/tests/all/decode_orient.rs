//! All four filter phases under all eight orientations: a colour at a known place must come out
//! of the file upright, at its place, under its own filter.

use nightloom_raster::{Cfa, Limits, Pixels, decode_here};
use nightloom_simulate::{DngFrame, write_dng};

/// Odd and even sides, so that flips move the phase in one direction and not in the other.
const SIZES: [(usize, usize); 3] = [(40, 30), (41, 30), (40, 31)];
const BLACK: u16 = 100;
const WHITE: u16 = 10_100;

/// The upright scene: a gradient in each colour, different in every pixel.
fn scene(x: usize, y: usize, colour: usize) -> u16 {
    BLACK + (1000 * colour + 37 * x + 53 * y) as u16
}

/// Where the pixel stored at (x, y) of a w × h file stands upright, by the sentences of EXIF 2.31,
/// tag 274: "the 0th row is at the … of the image and the 0th column at the …".
fn upright(orientation: u8, w: usize, h: usize, x: usize, y: usize) -> (usize, usize) {
    match orientation {
        1 => (x, y),                 // top, left
        2 => (w - 1 - x, y),         // top, right
        3 => (w - 1 - x, h - 1 - y), // bottom, right
        4 => (x, h - 1 - y),         // bottom, left
        5 => (y, x),                 // left, top
        6 => (h - 1 - y, x),         // right, top
        7 => (h - 1 - y, w - 1 - x), // right, bottom
        8 => (y, w - 1 - x),         // left, bottom
        _ => unreachable!(),
    }
}

#[test]
fn every_phase_under_every_orientation_keeps_its_colours() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.dng");
    for (w, h) in SIZES {
        let six = [Cfa::X_TRANS, Cfa::X_TRANS.moved(2, 5)];
        for cfa in [Cfa::RGGB, Cfa::BGGR, Cfa::GRBG, Cfa::GBRG]
            .into_iter()
            .chain(six)
        {
            for orientation in 1..=8 {
                let mut samples = vec![0u16; w * h];
                for y in 0..h {
                    for x in 0..w {
                        let (ux, uy) = upright(orientation, w, h, x, y);
                        samples[y * w + x] = scene(ux, uy, cfa.colour(x, y));
                    }
                }
                let mut meta = crate::dng::meta();
                meta.orientation = Some(orientation);
                let frame = DngFrame {
                    cfa,
                    black: [BLACK; 4],
                    white: WHITE,
                    ..crate::dng::frame(w, h, &samples, &meta)
                };
                write_dng(&path, &frame).unwrap();
                let read = decode_here(&path, &Limits::default()).unwrap();
                let label = format!("{w} × {h}, {cfa:?}, orientation {orientation}");
                let Pixels::Mosaic(mosaic) = &read.pixels else {
                    panic!("{label}: a mosaic was written")
                };
                let size = if orientation > 4 { (h, w) } else { (w, h) };
                assert_eq!((mosaic.plane.width(), mosaic.plane.height()), size, "{label}");
                for y in 0..size.1 {
                    for x in 0..size.0 {
                        let expected = f32::from(scene(x, y, mosaic.cfa.colour(x, y)) - BLACK) / 10_000.0;
                        let got = mosaic.plane.at(x, y);
                        assert!(
                            (got - expected).abs() < 1.0e-6,
                            "{label}: ({x}, {y}) {got}, expected {expected}"
                        );
                    }
                }
                assert_eq!(read.meta.orientation, Some(orientation));
            }
        }
    }
}
