//! Frames in, from files made by independent writers (tifffile, Pillow, astropy) and checked by
//! independent readers (LibRaw through rawpy). The files, their values and the versions of what
//! made them: `tests/reference/decode_files.py`, `tests/fixtures/decode/made.json`.

use nightloom_raster::{
    Cfa, DecodeOptions, FitsRows, Frame, Limits, Pixels, decode_here, decode_here_with, is_frame_path,
    read_meta,
};
use nightloom_simulate::write_dng;
use std::path::{Path, PathBuf};

/// Largest error of a linear value, in parts of saturation: single precision, nothing more.
const LINEAR_TOLERANCE: f32 = 2.0e-7;
/// Largest error after the sRGB curve, in parts of full light.
const SRGB_TOLERANCE: f32 = 1.0e-6;
/// Largest error of a colour matrix entry against colour-science.
const MATRIX_TOLERANCE: f64 = 1.0e-6;
/// Largest error of an ICC profile's matrix entry: profiles round to 1/65536, and to sRGB's D50
/// matrix as its makers adapted it.
const PROFILE_TOLERANCE: f64 = 1.0e-3;
/// Levels by which JPEG decoders may differ: one in each of Y, Cb and Cr (ISO/IEC 10918-2) makes
/// up to 1 + 1.772 in blue (ITU-T T.871, 7).
const JPEG_LEVELS: f32 = 2.8;
/// The size of the pictures that `decode_files.py` makes.
const SIZE: (usize, usize) = (20, 12);

fn fixture(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/fixtures/decode")
        .join(name)
}

fn made() -> serde_json::Value {
    serde_json::from_slice(&std::fs::read(fixture("made.json")).unwrap()).unwrap()
}

/// The formula of `decode_files.py`.
fn value(x: usize, y: usize, c: usize, top: usize) -> f32 {
    ((x * 2711 + y * 4099 + c * 9001 + 77) * (top + 1) / 65536 % (top + 1)) as f32
}

fn decode(name: &str) -> Frame {
    decode_here(&fixture(name), &Limits::default()).unwrap()
}

fn rgb(frame: &Frame) -> &nightloom_raster::Rgb {
    match &frame.pixels {
        Pixels::Rgb(rgb) => rgb,
        other => panic!("expected colour, found {:?}", other.size()),
    }
}

fn assert_rgb(name: &str, tolerance: f32, expected: impl Fn(usize, usize, usize) -> f32) {
    let frame = decode(name);
    let rgb = rgb(&frame);
    assert_eq!((rgb.width(), rgb.height()), SIZE, "{name}");
    for y in 0..SIZE.1 {
        for x in 0..SIZE.0 {
            for c in 0..3 {
                let (got, want) = (rgb.at(x, y)[c], expected(x, y, c));
                assert!(
                    (got - want).abs() <= tolerance,
                    "{name} ({x}, {y}) channel {c}: {got}, expected {want}"
                );
            }
        }
    }
}

/// sRGB by its definition in double precision (IEC 61966-2-1:1999, 5.2).
fn srgb(v: f32) -> f32 {
    let v = f64::from(v);
    (if v <= 0.04045 {
        v / 12.92
    } else {
        ((v + 0.055) / 1.055).powf(2.4)
    }) as f32
}

#[test]
fn tiffs_of_every_make_up_give_the_same_picture() {
    for name in [
        "rgb16.tif",
        "rgb16-big-endian.tif",
        "rgb16-deflate.tif",
        "rgb16-tiles.tif",
        "rgb16-planes.tif",
        "rgba16.tif",
    ] {
        assert_rgb(name, SRGB_TOLERANCE, |x, y, c| {
            srgb(value(x, y, c, 65535) / 65535.0)
        });
        let frame = decode(name);
        assert_eq!((frame.bits, frame.was_linear), (16, false), "{name}");
    }
    assert_rgb("rgb-float.tif", LINEAR_TOLERANCE, |x, y, c| {
        value(x, y, c, 65535) / 65536.0
    });
    assert!(decode("rgb-float.tif").was_linear);
}

#[test]
fn grey_files_are_grey() {
    for name in ["grey16.tif", "grey16.png"] {
        let frame = decode(name);
        let Pixels::Grey(plane) = &frame.pixels else {
            panic!("{name} is grey")
        };
        assert!(
            (plane.at(3, 5) - srgb(value(3, 5, 0, 65535) / 65535.0)).abs() < SRGB_TOLERANCE,
            "{name}"
        );
    }
}

#[test]
fn the_srgb_curve_and_matrix_are_those_of_colour_science() {
    let made = made();
    assert_rgb("rgb8.png", SRGB_TOLERANCE, |x, y, c| {
        made["srgb_to_linear"][value(x, y, c, 255) as usize]
            .as_f64()
            .unwrap() as f32
    });
    let colour = decode("rgb8.png").colour;
    assert_eq!(colour.white_balance, [1.0; 3]);
    assert_matrix(&colour.to_working, &made["srgb_to_rec2020"], MATRIX_TOLERANCE);
}

fn assert_matrix(got: &[[f32; 3]; 3], expected: &serde_json::Value, tolerance: f64) {
    for (i, row) in got.iter().enumerate() {
        for (j, &entry) in row.iter().enumerate() {
            let want = expected[i][j].as_f64().unwrap();
            assert!(
                (f64::from(entry) - want).abs() <= tolerance,
                "[{i}][{j}]: {entry}, expected {want}"
            );
        }
    }
}

#[test]
fn a_profile_says_what_the_numbers_mean() {
    let linear = decode("rgb8-linear-profile.png");
    assert!(linear.was_linear);
    assert_rgb("rgb8-linear-profile.png", LINEAR_TOLERANCE, |x, y, c| {
        value(x, y, c, 255) / 255.0
    });
    assert_matrix(
        &linear.colour.to_working,
        &made()["srgb_to_rec2020"],
        PROFILE_TOLERANCE,
    );
    let encoded = decode("rgb8-srgb-profile.png");
    assert!(!encoded.was_linear);
    // The profile's curve is sRGB's, rounded to 1/65536 in its parameters.
    assert_rgb("rgb8-srgb-profile.png", 5.0e-5, |x, y, c| {
        srgb(value(x, y, c, 255) / 255.0)
    });
}

#[test]
fn a_turned_tiff_stands_upright() {
    let frame = decode("rgb8-turned.tif");
    let rgb = rgb(&frame);
    assert_eq!((rgb.width(), rgb.height()), (SIZE.1, SIZE.0));
    // Orientation 6: the stored first row is the right-hand side (EXIF 2.31, tag 274).
    let expected = srgb(value(2, 3, 1, 255) / 255.0);
    assert!((rgb.at(SIZE.1 - 1 - 3, 2)[1] - expected).abs() < SRGB_TOLERANCE);
    assert_eq!(frame.meta.orientation, Some(6));
}

#[test]
fn a_jpeg_is_decoded_turned_and_its_exif_read() {
    let frame = decode("turned.jpg");
    let rgb = rgb(&frame);
    assert_eq!((rgb.width(), rgb.height()), (32, 48));
    let table = std::fs::read_to_string(fixture("turned.csv")).unwrap();
    let stored: Vec<Vec<f32>> = table
        .lines()
        .filter(|l| !l.starts_with('#'))
        .map(|l| l.split(',').map(|v| v.parse().unwrap()).collect())
        .collect();
    assert_eq!(stored.len(), 48 * 32);
    for (i, pixel) in stored.iter().enumerate() {
        let (x, y) = (i % 48, i / 48);
        for (c, &level) in pixel.iter().enumerate() {
            let got = rgb.at(32 - 1 - y, x)[c];
            let range = (
                srgb((level - JPEG_LEVELS) / 255.0),
                srgb((level + JPEG_LEVELS) / 255.0),
            );
            assert!(
                (range.0..=range.1).contains(&got),
                "stored ({x}, {y}) channel {c}: {got} for level {level}"
            );
        }
    }
    let meta = read_meta(&fixture("turned.jpg")).unwrap();
    assert_eq!(meta, frame.meta);
    assert_eq!(
        (meta.exposure_s, meta.f_number, meta.iso),
        (Some(12.5), Some(1.8), Some(3200.0))
    );
    assert_eq!((meta.focal_mm, meta.focal_35mm), (Some(14.0), Some(21.0)));
    assert_eq!(meta.taken_local.as_deref(), Some("2026-08-12T23:14:05.041"));
    assert_eq!(meta.taken_offset.as_deref(), Some("-03:30"));
    assert_eq!(
        (meta.make.as_deref(), meta.model.as_deref()),
        (Some("Maker"), Some("Model 5"))
    );
    assert_eq!(meta.lens.as_deref(), Some("14 mm"));
    // 3937 pixels per inch: 25400 µm / 3937.
    assert!((meta.pixel_um.unwrap() - 6.4516).abs() < 1.0e-4);
    let [latitude, longitude] = meta.gps_deg.unwrap();
    assert!((latitude + 33.858_333).abs() < 1.0e-6 && (longitude - 151.21).abs() < 1.0e-9);
    assert_eq!(meta.gps_elevation_m, Some(-12.5));
}

fn assert_mosaic(frame: &Frame, name: &str, cfa: Cfa, black: f32, white: f32) {
    let Pixels::Mosaic(mosaic) = &frame.pixels else {
        panic!("{name} is a mosaic")
    };
    assert_eq!(mosaic.cfa, cfa, "{name}");
    for y in 0..SIZE.1 {
        for x in 0..SIZE.0 {
            let want = (value(x, y, 0, 65535) - black) / (white - black);
            let got = mosaic.plane.at(x, y);
            assert!(
                (got - want).abs() <= LINEAR_TOLERANCE,
                "{name} ({x}, {y}): {got}, expected {want}"
            );
        }
    }
}

#[test]
fn fits_mosaics_come_out_upright_with_their_filters_and_levels() {
    let names = [
        "mosaic-bottom-up.fits",
        "mosaic-top-down.fits",
        "mosaic-rice.fits",
    ];
    for name in names {
        let frame = decode(name);
        assert_mosaic(&frame, name, Cfa::GBRG, 64.0, 60000.0);
        let meta = &frame.meta;
        assert_eq!((meta.exposure_s, meta.iso), (Some(90.5), Some(1600.0)), "{name}");
        assert_eq!((meta.focal_mm, meta.pixel_um), (Some(24.0), Some(4.35)));
        assert_eq!(meta.taken_local.as_deref(), Some("2026-08-12T21:14:05.041"));
        assert_eq!(meta.taken_offset.as_deref(), Some("+00:00"));
        assert_eq!(
            (meta.model.as_deref(), meta.lens.as_deref()),
            (Some("Camera 7"), Some("24 mm"))
        );
        assert_eq!(read_meta(&fixture(name)).unwrap(), *meta);
    }
}

#[test]
fn filters_move_with_the_offsets_in_the_header() {
    // RGGB from one pixel to the left of the picture: G R / B G.
    assert_mosaic(
        &decode("mosaic-moved.fits"),
        "mosaic-moved.fits",
        Cfa::GRBG,
        64.0,
        60000.0,
    );
}

#[test]
fn what_the_photographer_knows_goes_before_the_header() {
    let options = DecodeOptions {
        fits_cfa: Some(Cfa::RGGB),
        fits_rows: Some(FitsRows::BottomUp),
        fits_black: Some(100.0),
        fits_white: Some(50000.0),
        ..DecodeOptions::default()
    };
    // Stored top down but read bottom up: the picture is upside down, the filters as told.
    let frame = decode_here_with(&fixture("mosaic-top-down.fits"), &options, &Limits::default()).unwrap();
    let Pixels::Mosaic(mosaic) = &frame.pixels else {
        panic!("a mosaic")
    };
    assert_eq!(mosaic.cfa, Cfa::RGGB);
    let want = (value(2, SIZE.1 - 1, 0, 65535) - 100.0) / 49900.0;
    assert!((mosaic.plane.at(2, 0) - want).abs() <= LINEAR_TOLERANCE);
}

#[test]
fn fits_numbers_of_every_type_are_read() {
    let int16 = decode("int16.fits");
    let Pixels::Grey(plane) = &int16.pixels else {
        panic!("no filters named: grey")
    };
    // Signed sixteen bits: the range tops out at 32767.
    assert!((plane.at(4, 7) - (value(4, 7, 0, 65535) / 2.0).floor() / 32767.0).abs() <= LINEAR_TOLERANCE);
    let float = decode("float.fits");
    let Pixels::Grey(plane) = &float.pixels else {
        panic!("no filters named: grey")
    };
    assert!((plane.at(4, 7) - value(4, 7, 0, 65535) / 65536.0).abs() <= LINEAR_TOLERANCE);
    assert_rgb("cube.fits", LINEAR_TOLERANCE, |x, y, c| {
        value(x, y, c, 65535) / 65535.0
    });
}

/// FNV-1a (Fowler, Noll, Vo; RFC 9923).
fn fnv1a(bytes: impl Iterator<Item = u8>) -> String {
    let state = bytes.fold(0xcbf2_9ce4_8422_2325u64, |s, b| {
        (s ^ u64::from(b)).wrapping_mul(0x100_0000_01b3)
    });
    format!("{state:016x}")
}

#[test]
fn libraw_reads_our_dng_pixel_for_pixel() {
    // LibRaw read the committed file; what is written today must be that file.
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.dng");
    let (meta, samples) = (crate::dng::meta(), crate::dng::samples(96 * 64));
    write_dng(&path, &crate::dng::frame(96, 64, &samples, &meta)).unwrap();
    assert!(
        std::fs::read(&path).unwrap() == std::fs::read(fixture("written.dng")).unwrap(),
        "the DNG writer's bytes changed: run decode_files.py on its new file"
    );
    let libraw = &made()["written.dng"];
    assert_eq!(libraw["size"], serde_json::json!([96, 64]));
    assert_eq!(
        libraw["fnv1a_little_endian_u16"],
        fnv1a(samples.iter().flat_map(|s| s.to_le_bytes()))
    );
    // LibRaw lists black as R, G, B, second G; ours were given in the cell's order.
    assert_eq!(libraw["black"], serde_json::json!([512, 514, 518, 516]));
    assert_eq!(
        (libraw["pattern"].as_str(), libraw["white"].as_u64()),
        (Some("RGGB"), Some(16000))
    );
    let balance: Vec<f64> = libraw["camera_white_balance"]
        .as_array()
        .unwrap()
        .iter()
        .map(|v| v.as_f64().unwrap())
        .collect();
    for (got, neutral) in balance.iter().zip(crate::dng::NEUTRAL) {
        assert!((got * neutral - 1.0).abs() < 1.0e-6);
    }
}

#[test]
fn a_foreign_dng_is_read_as_libraw_reads_it() {
    let libraw = &made()["foreign.dng"];
    let frame = decode("foreign.dng");
    let Pixels::Mosaic(mosaic) = &frame.pixels else {
        panic!("a mosaic")
    };
    // LibRaw shows the active area (40 × 30, GRBG); the default crop starts at (1, 2) in it.
    assert_eq!(
        (libraw["pattern"].as_str(), libraw["black"].clone()),
        (Some("GRBG"), serde_json::json!([129, 128, 130, 131]))
    );
    assert_eq!((mosaic.plane.width(), mosaic.plane.height()), (38, 26));
    assert_eq!(mosaic.cfa, Cfa::RGGB);
    let samples = |x: usize, y: usize| value(x, y, 0, 4095);
    let active = (0..30).flat_map(|y| (0..40).map(move |x| value(x, y, 0, 4095) as u16));
    assert_eq!(
        libraw["fnv1a_little_endian_u16"],
        fnv1a(active.flat_map(u16::to_le_bytes))
    );
    for y in 0..26 {
        for x in 0..38 {
            let black = [128.0, 129.0, 130.0, 131.0][((y + 2) & 1) * 2 + ((x + 1) & 1)];
            let want = (samples(x + 1, y + 2) - black) / (4000.0 - black);
            assert!(
                (mosaic.plane.at(x, y) - want).abs() <= LINEAR_TOLERANCE,
                "({x}, {y})"
            );
        }
    }
    assert_eq!(frame.colour.white_balance, [2.0, 1.0, 1.6]);
    for row in frame.colour.to_working {
        assert!(
            (row.iter().sum::<f32>() - 1.0).abs() < 1.0e-6,
            "balanced neutral stays neutral"
        );
    }
}

#[test]
fn names_of_frames_are_known_whatever_their_case() {
    for name in [
        "a.CR2", "b.nef", "c.Arw", "d.dng", "e.FITS", "f.fit", "g.JPG", "h.tiff", "i.raf", "j.orf", "k.rw2",
        "l.pef", "m.png", "n.cr3",
    ] {
        assert!(is_frame_path(Path::new(name)), "{name}");
    }
    for name in ["outing.toml", "dng", "notes.txt", "a.xmp", "b.mov", ""] {
        assert!(!is_frame_path(Path::new(name)), "{name}");
    }
}
