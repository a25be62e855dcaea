//! The DNG writer: what it writes is read back by two independent decoders (rawpy's LibRaw by a
//! committed table, rawler at run time).

use nightloom_raster::{Cfa, FrameMeta, Limits, Pixels, decode_here};
use nightloom_simulate::{DngError, DngFrame, write_dng};

pub(crate) const XYZ_TO_CAMERA: [[f64; 3]; 3] = [
    [0.7034, -0.0804, -0.1014],
    [-0.4420, 1.2564, 0.2058],
    [-0.0851, 0.1994, 0.5758],
];
pub(crate) const NEUTRAL: [f64; 3] = [0.5, 1.0, 0.625];

pub(crate) fn meta() -> FrameMeta {
    FrameMeta {
        exposure_s: Some(90.0),
        f_number: Some(2.8),
        iso: Some(1600.0),
        focal_mm: Some(24.0),
        focal_35mm: Some(36.0),
        focus_m: None,
        pixel_um: Some(4.35),
        taken_local: Some("2026-08-12T23:14:05.25".into()),
        taken_offset: Some("+02:00".into()),
        make: Some("Nightloom".into()),
        model: Some("Simulated".into()),
        serial: Some("000042".into()),
        lens: Some("24 mm f/1.8".into()),
        gps_deg: Some([-45.872311, 170.502799]),
        gps_elevation_m: Some(412.5),
        orientation: Some(1),
    }
}

/// A repeatable pattern that fills the range: an affine walk of sixteen bits.
pub(crate) fn samples(count: usize) -> Vec<u16> {
    let mut state = 12345u32;
    (0..count)
        .map(|_| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (state >> 18) as u16
        })
        .collect()
}

pub(crate) fn frame<'a>(
    width: usize,
    height: usize,
    samples: &'a [u16],
    meta: &'a FrameMeta,
) -> DngFrame<'a> {
    DngFrame {
        width,
        height,
        samples,
        cfa: Cfa::RGGB,
        black: [512, 514, 516, 518],
        white: 16000,
        as_shot_neutral: NEUTRAL,
        xyz_to_camera: XYZ_TO_CAMERA,
        meta,
    }
}

#[test]
fn what_is_written_is_read_back_by_rawler() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.dng");
    let (meta, samples) = (meta(), samples(96 * 64));
    let written = frame(96, 64, &samples, &meta);
    write_dng(&path, &written).unwrap();
    let mut read = decode_here(&path, &Limits::default()).unwrap();
    // The pitch travels as its inverse.
    assert!((read.meta.pixel_um.unwrap() - 4.35).abs() < 1.0e-9);
    read.meta.pixel_um = meta.pixel_um;
    assert_eq!(read.meta, meta);
    let Pixels::Mosaic(mosaic) = &read.pixels else {
        panic!("a mosaic was written")
    };
    assert_eq!(mosaic.cfa, Cfa::RGGB);
    for (i, &sample) in samples.iter().enumerate() {
        let (x, y) = (i % 96, i / 96);
        let black = f32::from(written.black[(y & 1) * 2 + (x & 1)]);
        let expected = (f32::from(sample) - black) / (16000.0 - black);
        assert!((mosaic.plane.at(x, y) - expected).abs() < 1.0e-6, "({x}, {y})");
    }
    for (got, neutral) in read.colour.white_balance.iter().zip(NEUTRAL) {
        assert!((f64::from(*got) * neutral - 1.0).abs() < 1.0e-6);
    }
}

#[test]
fn a_frame_that_contradicts_itself_is_refused_and_nothing_is_left() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.dng");
    let (meta, samples) = (meta(), samples(96 * 64 - 1));
    let error = write_dng(&path, &frame(96, 64, &samples, &meta)).unwrap_err();
    assert!(
        error
            .to_string()
            .contains("96 × 64 pixels need 6144 samples, 6143 were given"),
        "{error}"
    );
    assert!(matches!(error, DngError::Frame { .. }));
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
}

#[test]
fn a_folder_that_is_not_there_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("missing").join("a.dng");
    let (meta, samples) = (meta(), samples(96 * 64));
    let error = write_dng(&path, &frame(96, 64, &samples, &meta))
        .unwrap_err()
        .to_string();
    assert!(
        error.contains("a.dng could not be written") && error.contains("folder exists"),
        "{error}"
    );
}

#[test]
fn without_filters_and_with_all_colours_come_back_too() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.dng");
    let meta = meta();
    let bare = samples(96 * 64);
    write_dng(
        &path,
        &DngFrame {
            cfa: Cfa::NONE,
            ..frame(96, 64, &bare, &meta)
        },
    )
    .unwrap();
    let read = decode_here(&path, &Limits::default()).unwrap();
    let Pixels::Grey(plane) = &read.pixels else {
        panic!("one channel was written")
    };
    let linear = |v: u16, black: u16| (f32::from(v) - f32::from(black)) / (16000.0 - f32::from(black));
    assert!((plane.at(17, 40) - linear(bare[40 * 96 + 17], 512)).abs() < 1e-6);
    assert_eq!(read.colour.white_balance, [1.0; 3]);
    let all = samples(96 * 64 * 3);
    write_dng(&path, &frame(96, 64, &all, &meta)).unwrap();
    let read = decode_here(&path, &Limits::default()).unwrap();
    let Pixels::Rgb(picture) = &read.pixels else {
        panic!("three channels were written")
    };
    for (c, got) in picture.at(17, 40).into_iter().enumerate() {
        let want = linear(all[(40 * 96 + 17) * 3 + c], [512, 514, 516][c]);
        assert!((got - want).abs() < 1e-6, "channel {c}: {got}, not {want}");
    }
    assert!((f64::from(read.colour.white_balance[0]) * NEUTRAL[0] - 1.0).abs() < 1e-6);
}
