//! Whole raws as cameras wrote them (where each is from stands in `fixtures/real/README.md`), against the pixels of LibRaw and libjpeg-turbo.

use nightloom_raster::{Cfa, DecodeOptions, Frame, Limits, Pixels, decode_here, find_damage};
use std::path::PathBuf;

fn path(name: &str) -> PathBuf {
    [env!("CARGO_MANIFEST_DIR"), "tests/fixtures/real", name]
        .iter()
        .collect()
}

/// Decodes a raw, in which nothing may look damaged.
fn decode(name: &str) -> Frame {
    let found = find_damage(&path(name), &DecodeOptions::default(), &Limits::default()).unwrap();
    assert!(found.is_empty(), "{name}: {found:?}");
    decode_here(&path(name), &Limits::default()).unwrap()
}

/// Place on the sensor, channel, value of a file's rows in `pixels.csv`.
fn pixels(name: &str) -> Vec<([usize; 2], usize, f32)> {
    let table = include_str!("../fixtures/real/pixels.csv");
    let rows = table.lines().map(|l| l.split(',').collect::<Vec<_>>());
    let own = rows.filter(|r| r[0] == name);
    own.map(|r| {
        let whole = |k: usize| r[k].parse::<usize>().unwrap();
        ([whole(1), whole(2)], whole(3), r[4].parse().unwrap())
    })
    .collect()
}

/// The sensor's numbers of a mosaic whose area starts at `corner`.
fn assert_numbers(name: &str, frame: &Frame, corner: [usize; 2], (black, white): (f32, f32), rounding: f32) {
    let Pixels::Mosaic(mosaic) = &frame.pixels else {
        panic!("{name} is a mosaic")
    };
    let mut compared = 0;
    for ([x, y], _, number) in pixels(name) {
        let at = (x.checked_sub(corner[0]), y.checked_sub(corner[1]));
        let (Some(x), Some(y)) = at else { continue };
        if x < mosaic.plane.width() && y < mosaic.plane.height() {
            let own = mosaic.plane.at(x, y) * (white - black) + black;
            assert!(
                (own - number).abs() < rounding,
                "{name} ({x}, {y}): {own}, not {number}"
            );
            compared += 1;
        }
    }
    assert!(compared > 70, "{compared}");
}

/// Its eight bits stand for more by a table, between whose entries the two decoders round otherwise, by two of 16383 at most here.
#[test]
fn a_kdc_of_1996_has_libraws_numbers() {
    let frame = decode("kodak.kdc");
    assert_eq!(frame.pixels.size(), (756, 504));
    assert_numbers("kodak.kdc", &frame, [6, 4], (0.0, 16383.0), 2.5);
    assert_eq!(frame.meta.model.as_deref(), Some("DC50"));
    let Pixels::Mosaic(mosaic) = &frame.pixels else {
        panic!()
    };
    assert_eq!(mosaic.cfa, Cfa::GRBG);
}

/// 26 rows and 152 columns of the sensor are masked and lie outside the active area.
#[test]
fn a_cameras_own_dng_has_libraws_numbers_without_its_masked_border() {
    let frame = decode("colorchart.dng");
    assert_eq!(frame.pixels.size(), (1734, 1156));
    let Pixels::Mosaic(mosaic) = &frame.pixels else {
        panic!()
    };
    assert_eq!(mosaic.cfa, Cfa::RGGB);
    assert_numbers("colorchart.dng", &frame, [152, 26], (2056.0, 15000.0), 0.01);
}

/// Lossy codes differ by rounding between decoders: a level of eight bits, through the curve.
#[test]
fn a_reduced_lossy_linear_dng_has_another_decoders_values() {
    let frame = decode("linear-reduced.dng");
    let Pixels::Rgb(picture) = &frame.pixels else {
        panic!("it is demosaiced")
    };
    assert_eq!((picture.width(), picture.height()), (600, 400));
    let all = pixels("linear-reduced.dng");
    assert!(all.len() > 150);
    let (mut worst, mut most) = (0.0f32, 0.0f32);
    for ([x, y], channel, value) in all {
        worst = worst.max((picture.at(x, y)[channel] - value).abs());
        most = most.max(value);
    }
    assert!(worst < 0.06 * most, "off by {worst}, the most is {most}");
}
