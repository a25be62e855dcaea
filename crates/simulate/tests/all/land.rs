//! The land in the frames against the truth pictures.

use std::fs::File;
use std::io::BufReader;

use nightloom_simulate::ShotRole;
use tiff::decoder::{Decoder, DecodingResult};

use crate::night::NIGHT;

/// Relative difference of a block of the land frame from the truth picture.
const LEVEL_TOLERANCE: f64 = 0.03;

fn tiff(name: &str) -> Vec<f32> {
    let path = NIGHT.folder.join("truth").join(name);
    let mut decoder =
        Decoder::new(BufReader::new(File::open(path).expect("the picture is there"))).expect("a TIFF");
    match decoder.read_image().expect("it decodes") {
        DecodingResult::F32(values) => values,
        _ => panic!("{name} is not 32-bit float"),
    }
}

#[test]
fn the_matte_is_sky_above_and_land_below() {
    let (width, height) = (900, 600);
    for name in ["matte.tif", "coverage.tif"] {
        let matte = tiff(name);
        assert_eq!(matte.len(), width * height);
        assert!(matte.iter().all(|v| (-1e-4..=1.0001).contains(v)), "{name}");
        assert!(
            matte[..width * 150].iter().all(|&v| v > 0.999),
            "{name}: land at the top"
        );
        assert!(
            matte[width * (height - 30)..].iter().all(|&v| v < 0.001),
            "{name}: sky at the bottom"
        );
        let soft = matte.iter().filter(|v| (0.02..0.98).contains(*v)).count();
        assert!((500..30_000).contains(&soft), "{name}: {soft} pixels between");
    }
}

/// The lens only spreads coverage: the sum stays.
#[test]
fn blurred_and_bare_coverage_have_one_area() {
    let sum = |name: &str| tiff(name).iter().map(|&v| f64::from(v)).sum::<f64>();
    let (matte, coverage) = (sum("matte.tif"), sum("coverage.tif"));
    assert!((matte / coverage - 1.0).abs() < 0.002, "{matte} and {coverage}");
}

/// What the land frame shows, divided by a flat, is the truth picture.
#[test]
fn the_land_frame_shows_the_true_land() {
    let night = &*NIGHT;
    let frame = &night.mosaics(ShotRole::Land)[0];
    let flat = &night.mosaics(ShotRole::Flat)[0];
    let land = tiff("land.tif");
    let vignetting = |x: usize, y: usize, c: usize| {
        // The middle of the flat in this colour is the axis.
        let axis = (280..320)
            .flat_map(|y| (430..470).map(move |x| (x, y)))
            .filter(|&(x, y)| flat.cfa.colour(x, y) == c);
        let (sum, n) = axis.fold((0.0, 0.0), |(s, n), (x, y)| {
            (s + f64::from(flat.plane.at(x, y)), n + 1.0)
        });
        f64::from(flat.plane.at(x, y)) / (sum / n)
    };
    for (left, top) in [(100, 540), (420, 550), (760, 545)] {
        let (mut seen, mut said) = (0.0, 0.0);
        for y in top..top + 20 {
            for x in left..left + 20 {
                let c = frame.cfa.colour(x, y);
                seen += f64::from(frame.plane.at(x, y)) / vignetting(x, y, c);
                said += f64::from(land[(y * 900 + x) * 3 + c]);
            }
        }
        let dark = night.truth.sensor.dark_e_s * 90.0 / night.truth.sensor.sky_saturation_e * 400.0;
        let ratio = (seen - dark) / said;
        assert!(
            (ratio - 1.0).abs() < LEVEL_TOLERANCE,
            "at ({left}, {top}): {ratio}"
        );
    }
}

/// In the composite, sky and land add up by the matte.
#[test]
fn the_composite_is_land_over_sky() {
    let (matte, land, sky, composite) = (
        tiff("matte.tif"),
        tiff("land.tif"),
        tiff("sky.tif"),
        tiff("composite.tif"),
    );
    for (i, alpha) in matte.iter().enumerate() {
        for c in 0..3 {
            let expected = sky[3 * i + c] * alpha + land[3 * i + c];
            assert!(
                (composite[3 * i + c] - expected).abs() < 1e-6 + 1e-5 * expected,
                "pixel {i}"
            );
        }
    }
}

/// Ground from ICRS, out of attitude and stance, turns by 15.041″ a second between the frames.
#[test]
fn the_sky_turns_between_sky_and_land_frames() {
    const TOLERANCE_DEG: f64 = 0.002;
    let truth = night_truth();
    let matrix = |rows: [[f64; 3]; 3]| nalgebra::Matrix3::from_fn(|r, c| rows[r][c]);
    let frames = [ShotRole::Sky, ShotRole::Land]
        .map(|role| truth.frames.iter().find(|f| f.role == role).expect("a frame"));
    let [sky, land] = frames.map(|f| matrix(f.camera_from_ground[1]).transpose() * matrix(f.attitude[1]));
    let turned = ((land * sky.transpose()).trace() / 2.0 - 0.5).acos().to_degrees();
    let seconds = frames[1].start.seconds_since(frames[0].start);
    let expected = seconds * 15.041_07 / 3600.0;
    assert!(
        (turned - expected).abs() < TOLERANCE_DEG,
        "{turned}°, expected {expected}°"
    );
}

fn night_truth() -> nightloom_simulate::Truth {
    let json = std::fs::read(NIGHT.folder.join("truth/truth.json")).expect("the truth is written");
    serde_json::from_slice(&json).expect("it reads back")
}
