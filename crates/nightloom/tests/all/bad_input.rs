//! Frames and folders that are not as they should be.

use std::fs;
use std::path::Path;

use nightloom_raster::{Limits, Pixels, decode_here};
use nightloom_simulate::{DngFrame, write_dng};

use crate::night::{
    Chance, DELIVERED, LAND, Night, SKY, Temp, assert_same_results, build, built, frame, left_out, output,
    refused, sentence, status, stderr,
};

/// Copies of a sound frame, damaged, in the sky's folder.
fn damage(night: &Path, name: &str, how: impl FnOnce(&mut Vec<u8>)) {
    let mut bytes = fs::read(night.join(SKY[0])).unwrap();
    how(&mut bytes);
    fs::write(night.join(name), bytes).unwrap();
}

#[test]
fn damaged_frames_are_left_out_and_the_rest_goes_on() {
    let temp = Night::get().frames(&SKY[..4], &LAND[..1]);
    let night = temp.night();
    let mut chance = Chance(7);
    let mut truncated = Vec::new();
    for n in 0..3 {
        let name = format!("sky/truncated_{n}.dng");
        damage(&night, &name, |bytes| bytes.truncate(chance.below(bytes.len())));
        truncated.push(name);
    }
    // Flips in the directory at the start; those among the pixels leave a frame that decodes.
    for n in 0..3 {
        damage(&night, &format!("sky/flipped_{n}.dng"), |bytes| {
            for _ in 0..64 {
                let at = chance.below(512);
                bytes[at] ^= 1 << chance.below(8);
            }
        });
    }
    fs::write(night.join("sky/empty.dng"), b"").unwrap();
    fs::write(
        night.join("sky/letter.dng"),
        "Dear photographer, this is no frame.\n",
    )
    .unwrap();
    fs::write(night.join("land/empty.dng"), b"").unwrap();

    let report = built(&night);
    for name in truncated.iter().map(String::as_str) {
        left_out(&report, name);
    }
    for name in ["sky/empty.dng", "sky/letter.dng", "land/empty.dng"] {
        left_out(&report, name);
    }
    for n in 0..3 {
        left_out(&report, &format!("sky/flipped_{n}.dng"));
    }
    assert_eq!(report["sky"]["frames_used"], 4, "{:?}", report["frames"]);
    assert_eq!(report["land"]["frames_used"], 1);
    assert!(output(&report, "picture").exists());
}

#[test]
fn without_sky_frames_there_is_no_picture() {
    let temp = Night::get().frames(&[], &LAND[..2]);
    let said = refused(&temp.night(), 1);
    assert!(said.contains("no tracked sky frames were found"), "{said}");
    assert!(said.contains("outing.toml"), "it says what to do: {said}");
}

#[test]
fn one_land_frame_alone_is_no_picture() {
    let temp = Night::get().frames(&[], &LAND[..1]);
    let said = refused(&temp.night(), 1);
    assert!(said.contains("no tracked sky frames were found"), "{said}");
    assert!(
        !temp.night().join("picture/picture.tif").exists(),
        "nothing is delivered"
    );
}

/// Without folders that tell the role, a lone land frame is judged by its content.
#[test]
fn a_lone_frame_without_a_folder_is_judged_or_refused_in_a_sentence() {
    let whole = Night::get().whole();
    for name in [LAND[0], SKY[0]] {
        let temp = Temp::new();
        fs::copy(whole.join(name), temp.night().join("one.dng")).unwrap();
        let output = build(&temp.night());
        match status(&output) {
            0 => {
                let report = crate::night::json(&output);
                assert_eq!(frame(&report, "one.dng")["role"], "sky");
            }
            1 => {
                sentence(&output, 1);
            }
            other => panic!("status {other}: {}", stderr(&output)),
        }
    }
}

#[test]
fn without_land_frames_the_sky_alone_is_delivered() {
    let temp = Night::get().frames(&SKY[..3], &[]);
    let report = built(&temp.night());
    assert_eq!(report["land"]["frames_used"], 0);
    assert_eq!(report["sky"]["frames_used"], 3);
    assert_eq!(report["seam"]["sky_fraction"], 1.0);
    assert!(report["outputs"]["land"].is_null());
    for name in ["picture", "layers", "preview", "report", "matte", "sky", "linear"] {
        assert!(output(&report, name).exists(), "{name}");
    }
}

#[test]
fn one_sky_frame_alone_works() {
    let temp = Night::get().frames(&SKY[..1], &[]);
    let report = built(&temp.night());
    assert_eq!(report["frames"].as_array().unwrap().len(), 1);
    assert_eq!(report["sky"]["frames_used"], 1);
    assert!(output(&report, "picture").exists());
}

/// The top left part of a frame, as a frame of a sensor with fewer pixels.
fn cropped(from: &Path, to: &Path) {
    const WHITE: u16 = 16383;
    let frame = decode_here(from, &Limits::default()).unwrap();
    let Pixels::Mosaic(mosaic) = &frame.pixels else {
        panic!("the simulation writes mosaics")
    };
    let (width, height) = (600, 400);
    let samples: Vec<u16> = (0..height)
        .flat_map(|y| mosaic.plane.row(y)[..width].iter())
        .map(|v| {
            (v * f32::from(WHITE - 512))
                .round()
                .clamp(-512.0, f32::from(WHITE - 512)) as i32
                + 512
        })
        .map(|v| v as u16)
        .collect();
    let raw = DngFrame {
        width,
        height,
        samples: &samples,
        cfa: mosaic.cfa,
        black: [512; 4],
        white: WHITE,
        as_shot_neutral: frame.colour.white_balance.map(|v| 1.0 / f64::from(v)),
        xyz_to_camera: [[0.7, -0.2, -0.1], [-0.4, 1.2, 0.2], [-0.1, 0.2, 0.6]],
        meta: &frame.meta,
    };
    write_dng(to, &raw).unwrap();
}

#[test]
fn frames_of_another_size_are_left_out_for_the_majority() {
    let temp = Night::get().frames(&SKY[..3], &LAND[..1]);
    let night = temp.night();
    cropped(&night.join(SKY[0]), &night.join("sky/A_small.dng"));
    cropped(&night.join(SKY[1]), &night.join("sky/Z_small.dng"));
    let report = built(&night);
    for name in ["sky/A_small.dng", "sky/Z_small.dng"] {
        let reason = left_out(&report, name);
        assert!(reason.contains("600") && reason.contains("900"), "{reason}");
    }
    assert_eq!(report["sky"]["frames_used"], 3);
}

/// Replaces a text of a file by one of the same length, everywhere.
fn rewrite(path: &Path, from: &[u8], to: &[u8]) {
    assert_eq!(from.len(), to.len());
    let mut bytes = fs::read(path).unwrap();
    let places: Vec<usize> = (0..=bytes.len() - from.len())
        .filter(|&i| bytes[i..].starts_with(from))
        .collect();
    assert!(!places.is_empty(), "{} does not hold it", path.display());
    for at in places {
        bytes[at..at + to.len()].copy_from_slice(to);
    }
    fs::write(path, bytes).unwrap();
}

#[test]
fn frames_of_another_camera_are_left_out_for_the_majority() {
    let temp = Night::get().frames(&SKY[..4], &LAND[..1]);
    let night = temp.night();
    rewrite(&night.join(SKY[0]), b"Simulated camera", b"Different camera");
    let report = built(&night);
    let reason = left_out(&report, SKY[0]);
    assert!(reason.contains("Different camera"), "{reason}");
    assert_eq!(report["sky"]["frames_used"], 3);
}

fn warnings(report: &serde_json::Value) -> String {
    let all = report["warnings"].as_array().unwrap();
    all.iter()
        .map(|w| w.as_str().unwrap())
        .collect::<Vec<_>>()
        .join("\n")
}

/// The stars show the lens, whatever the settings say of it.
#[test]
fn a_lens_told_wrong_is_taken_from_the_stars_and_said() {
    let shared = Night::get();
    let right = shared.few_report();
    let temp = shared.few_frames();
    let night = temp.night();
    let lens = |report: &serde_json::Value| report["lens"]["focal_px"].as_f64().unwrap();
    fs::write(night.join("outing.toml"), "[rig]\nfocal_mm = 200\n").unwrap();
    let report = built(&night);
    let off = lens(&report) / lens(&right) - 1.0;
    assert!(off.abs() < 0.002, "the focal length is {off:+.4} off");
    assert_eq!(report["sky"]["frames_used"], right["sky"]["frames_used"]);
    let said = warnings(&report);
    assert!(said.contains("focal length"), "{said}");
}

/// The stars themselves say where the sky stood over the land, whatever the clock says.
#[test]
fn a_wrong_clock_on_the_land_frames_does_not_move_the_sky() {
    let shared = Night::get();
    let temp = shared.few_frames();
    let night = temp.night();
    for name in &LAND[..2] {
        rewrite(&night.join(name), b"2024:11:20 21:", b"2024:11:20 16:");
    }
    let report = built(&night);
    // With a wrong clock the sky cannot be turned and is shown as the land frames have it.
    assert!(
        report["seam"]["instant_reason"]
            .as_str()
            .unwrap()
            .contains("land")
    );
    assert_eq!(report["land"]["frames_used"], 2);
    let placement = report["seam"]["placement"].as_str().unwrap();
    assert!(placement.contains("stars in"), "{placement}");
    let said = warnings(&report);
    assert!(
        said.contains("clock") || said.contains("times"),
        "no word of the clock: {said}"
    );
    // The same sky over the same land as with the right clock at that moment.
    let few = shared.few_report();
    let shown: nightloom_sky::Instant = serde_json::from_value(few["seam"]["instant"].clone()).unwrap();
    let land = shown.plus_seconds(-few["seam"]["instant_from_land_s"].as_f64().unwrap());
    let right = shared.few_built();
    let settings = format!("[seam]\ninstant = \"{land}\"\n");
    fs::write(right.night().join("outing.toml"), settings).unwrap();
    let apart = star_shift(&built(&right.night()), &report);
    assert!(apart < CLOCK_MOVES_PX, "the sky stands {apart:.2} px away");
}

/// How far a wrong clock may move the sky over the land, pixels. The pole's place is kept by the
/// stars; the chosen instant then differs only by what the stars' own instants do.
const CLOCK_MOVES_PX: f64 = 1.0;

/// Distance between where the stacks of two reports show the same stars, the median.
fn star_shift(a: &serde_json::Value, b: &serde_json::Value) -> f64 {
    let moves = crate::placement::moves(a, b, [0.0, 0.0]);
    let mut apart: Vec<f64> = moves.iter().map(|m| m[0].hypot(m[1])).collect();
    apart.sort_by(f64::total_cmp);
    apart[apart.len() / 2]
}

#[test]
fn a_clock_that_was_never_set_still_gives_a_picture_and_a_warning() {
    let temp = Night::get().few_frames();
    let night = temp.night();
    for name in SKY[..4].iter().chain(&LAND[..2]) {
        let path = night.join(name);
        for hour in ["19", "20", "21", "22", "23"] {
            let from = format!("2024:11:20 {hour}:");
            let bytes = fs::read(&path).unwrap();
            if bytes.windows(from.len()).any(|w| w == from.as_bytes()) {
                rewrite(&path, from.as_bytes(), b"0000:00:00 00:");
            }
        }
    }
    let report = built(&night);
    assert_eq!(report["sky"]["frames_used"], 4);
    let said = warnings(&report);
    assert!(!said.is_empty(), "not a word of the missing times");
    assert!(output(&report, "picture").exists());
}

/// A disk that fills up, played by a limit on the size of files: no file may pass it.
/// A build that may write no file of more than so many blocks of 512 bytes.
#[cfg(unix)]
fn build_with_room(night: &Path, blocks: u64) -> std::process::Output {
    std::process::Command::new("sh")
        .args(["-c", "trap '' XFSZ; ulimit -f \"$0\"; exec \"$@\""])
        .arg(blocks.to_string())
        .arg(env!("CARGO_BIN_EXE_nightloom"))
        .arg("build")
        .arg(night)
        .arg("--json")
        .stdin(std::process::Stdio::null())
        .output()
        .unwrap()
}

/// Results of two builds never stand beside each other.
#[cfg(unix)]
#[test]
fn a_full_disk_leaves_the_results_of_before_together() {
    let shared = Night::get();
    let temp = shared.few_built();
    let night = temp.night();
    let file = |folder: &Path, name: &str| fs::read(folder.join("picture").join(name)).unwrap();
    let layers = file(&shared.few(), "layers.ora").len() as u64 / 512;
    fs::write(night.join("outing.toml"), "[picture]\nstretch = 0.8\n").unwrap();
    let said = sentence(&build_with_room(&night, layers * 9 / 10), 2);
    assert!(said.contains("room") || said.contains("space"), "{said}");
    for name in DELIVERED {
        assert!(
            file(&night, name) == file(&shared.few(), name),
            "{name} is another build's"
        );
    }
    let begun = fs::read_dir(night.join("picture")).unwrap().flatten();
    let begun: Vec<_> = begun
        .map(|e| e.file_name().to_string_lossy().into_owned())
        .filter(|n| n.ends_with(".part"))
        .collect();
    assert_eq!(begun, Vec::<String>::new());
    built(&night);
    assert!(file(&night, "layers.ora") != file(&shared.few(), "layers.ora"));
}

#[cfg(unix)]
#[test]
fn a_full_disk_leaves_nothing_half_written() {
    let shared = Night::get();
    let temp = shared.few_frames();
    let night = temp.night();
    // In blocks of 512 bytes: below a work file, below the stacks, below the layers.
    let layers = fs::metadata(shared.few().join("picture/layers.ora"))
        .unwrap()
        .len()
        / 512;
    for blocks in [200, 4000, layers * 2 / 3, layers * 9 / 10] {
        let output = build_with_room(&night, blocks);
        let said = sentence(&output, 2);
        let file = said.contains(&night.display().to_string());
        let advice = said.contains("room") || said.contains("space");
        assert!(file && advice, "{blocks}: {said}");
        assert_finished_or_absent(&night, &shared.few());
    }
    built(&night);
    assert_same_results(&night, &shared.few());
}

/// Whatever stands under a final name is what an undisturbed build puts there.
fn assert_finished_or_absent(night: &Path, expected: &Path) {
    let results = night.join("picture");
    for entry in fs::read_dir(&results).into_iter().flatten().flatten() {
        let name = entry.file_name();
        let whole = expected.join("picture").join(&name);
        // Beside final names there may be a begun file under another one.
        if whole.exists() {
            assert!(
                fs::read(entry.path()).unwrap() == fs::read(&whole).unwrap(),
                "{} is half-written",
                name.display()
            );
        } else {
            let word = name.to_string_lossy().into_owned();
            assert!(word.starts_with('.'), "{word} is no result");
        }
    }
}
