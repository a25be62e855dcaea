//! What a whole outing makes of the ways in which cameras and cards hand their frames out: the same picture, or a sentence.
//! (How single files are written is tried in `raster`'s `makers_ways`.)

use std::fs;
use std::path::Path;

use nightloom_raster::write::{About, TakenAt, jpeg_bytes_about};
use nightloom_raster::{Limits, Pixels, Rgb, decode_here, icc, read_meta};
use serde_json::Value;

use crate::night::{LAND, Night, SKY, Temp, built, frame, left_out, linear};

/// Some frames with their darks.
fn night() -> Temp {
    let night = Night::get();
    let temp = night.frames(&SKY[..3], &LAND[..2]);
    fs::create_dir_all(temp.night().join("darks")).unwrap();
    for entry in fs::read_dir(night.whole().join("darks")).unwrap().flatten() {
        fs::copy(entry.path(), temp.night().join("darks").join(entry.file_name())).unwrap();
    }
    temp
}

/// Writes another orientation (TIFF tag 274, one SHORT) into a frame; its pixels stay.
fn say_turned(path: &Path, orientation: u8) {
    let mut bytes = fs::read(path).unwrap();
    let entry = [0x12, 0x01, 3, 0, 1, 0, 0, 0, 1, 0, 0, 0];
    let at = bytes.windows(entry.len()).position(|w| w == entry).unwrap();
    bytes[at + 8] = orientation;
    fs::write(path, bytes).unwrap();
}

fn warnings(report: &Value) -> String {
    report["warnings"].to_string()
}

#[test]
fn frames_that_say_another_side_is_up_make_the_same_picture() {
    let plain = night();
    let expected = linear(&built(&plain.night()));
    let turned = night();
    // One of three tracked frames, and all darks: the camera lay on its back.
    say_turned(&turned.night().join(SKY[1]), 3);
    for (k, entry) in fs::read_dir(turned.night().join("darks"))
        .unwrap()
        .flatten()
        .enumerate()
    {
        say_turned(&entry.path(), [3, 6, 8][k % 3]);
    }
    let report = built(&turned.night());
    assert_eq!(report["sky"]["frames_used"], 3, "{}", report["frames"]);
    assert!(
        warnings(&report).contains("says another side to be up than the others"),
        "{}",
        warnings(&report)
    );
    let ours: Rgb = linear(&report);
    assert!(ours == expected, "the stack differs");
}

/// Two cards with files of the same names: one holds other frames, one copies, one the camera's own JPEGs.
#[test]
fn two_cards_with_the_same_names_count_each_exposure_once() {
    let temp = Night::get().frames(&SKY[..2], &LAND[..2]);
    let folder = temp.night();
    let [first, second] = ["sky/card-a", "sky/card-b"].map(|c| folder.join(c));
    let third = folder.join("sky/card-c");
    for card in [&first, &second, &third] {
        fs::create_dir_all(card).unwrap();
    }
    // Other exposures under one name, and a copy of the first under its own.
    fs::rename(folder.join(SKY[0]), first.join("IMG_0001.dng")).unwrap();
    fs::rename(folder.join(SKY[1]), second.join("IMG_0001.dng")).unwrap();
    fs::copy(first.join("IMG_0001.dng"), third.join("IMG_0001.dng")).unwrap();
    // The second's JPEG lies on the third card, in a folder of its own.
    let meta = read_meta(&second.join("IMG_0001.dng")).unwrap();
    let about = About {
        make: meta.make.clone(),
        model: meta.model.clone(),
        taken: meta.taken_local.clone().map(|local| TakenAt {
            local,
            offset: meta.taken_offset.clone(),
            utc: None,
        }),
        exposure_s: meta.exposure_s,
        ..About::default()
    };
    let Pixels::Mosaic(raw) = decode_here(&second.join("IMG_0001.dng"), &Limits::default())
        .unwrap()
        .pixels
    else {
        panic!("a mosaic")
    };
    let shown = nightloom_raster::demosaic(&raw);
    let jpeg = jpeg_bytes_about(&shown, 80, &icc::srgb(), &about).unwrap();
    let jpegs = third.join("jpeg");
    fs::create_dir_all(&jpegs).unwrap();
    fs::write(jpegs.join("IMG_0001.JPG"), jpeg).unwrap();
    let report = built(&folder);
    assert_eq!(report["sky"]["frames_used"], 2, "{}", report["frames"]);
    for name in ["sky/card-a/IMG_0001.dng", "sky/card-b/IMG_0001.dng"] {
        assert_eq!(frame(&report, name)["used"], true);
    }
    assert!(left_out(&report, "sky/card-c/IMG_0001.dng").contains("it is a copy of"));
    assert!(left_out(&report, "sky/card-c/jpeg/IMG_0001.JPG").contains("the camera's own picture of"));
}
