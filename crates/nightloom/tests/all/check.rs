//! `nightloom check` and `nightloom watch`, run as a person runs them.

use std::fs;
use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Command, Output, Stdio};

use nightloom_raster::{Cfa, FrameMeta};
use nightloom_simulate::{DngFrame, write_dng};
use serde_json::Value;

use crate::night::{LAND, Night, SKY};

fn nightloom(args: &[&str], paths: &[&Path]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_nightloom"))
        .args(args)
        .args(paths)
        .stdin(Stdio::null())
        .output()
        .unwrap()
}

fn json(output: &Output) -> Value {
    serde_json::from_slice(&output.stdout)
        .unwrap_or_else(|e| panic!("{e} in {}", String::from_utf8_lossy(&output.stdout)))
}

#[test]
fn a_check_tells_each_frame_and_goes_on_past_a_bad_one() {
    let temp = Night::get().frames(&SKY[..1], &LAND[..1]);
    let night = temp.night();
    let letter = night.join("letter.dng");
    fs::write(&letter, "no frame").unwrap();
    let (sky, land) = (night.join(SKY[0]), night.join(LAND[0]));
    let output = nightloom(&["check", "--json"], &[&sky, &letter, &land]);
    assert_eq!(
        output.status.code(),
        Some(0),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    let answer = json(&output);
    let frames = answer["frames"].as_array().unwrap();
    assert_eq!(frames.len(), 3);
    for frame in [&frames[0], &frames[2]] {
        let causes = frame["causes"].as_array().unwrap();
        assert!(!causes.is_empty());
        for cause in causes {
            let likelihood = cause["likelihood"].as_f64().unwrap();
            assert!((0.0..=1.0).contains(&likelihood));
            assert!(cause["cause"].is_string() && cause["figure"].is_string());
        }
        assert!(frame["next"].as_str().is_some_and(|n| !n.is_empty()));
        assert!(frame["fwhm_px"].as_f64().is_some_and(|w| w > 0.5));
        assert!(frame["elongation"].as_f64().is_some_and(|e| e >= 1.0));
        assert!(frame.get("sky_mag_arcsec2").is_some());
    }
    assert!(
        frames[1]["error"]
            .as_str()
            .is_some_and(|e| e.contains("letter.dng"))
    );
    // The land frame stood on the tripod: its stars are drawn out, the sky frame's are not.
    assert!(frames[2]["drift_px"].as_f64() > frames[0]["drift_px"].as_f64());
}

#[test]
fn a_frame_that_lacks_rows_is_told_and_never_good() {
    let temp = Night::get().frames(&SKY[..1], &[]);
    let path = temp.night().join(SKY[0]);
    let whole = fs::read(&path).unwrap();
    // 54 rows of 900 pixels, as a card loses blocks.
    let (from, length) = ((whole.len() / 2) & !511, 54 * 900 * 2);
    let (to, other) = (from + length, (from / 2) & !511);
    for (what, values) in [
        ("zeros", vec![0; length]),
        ("other rows", whole[other..other + length].to_vec()),
    ] {
        let mut bytes = whole.clone();
        bytes[from..to].copy_from_slice(&values);
        fs::write(&path, bytes).unwrap();
        let output = nightloom(&["check", "--json"], &[&path]);
        let answer = json(&output);
        let told = answer["frames"][0]["error"]
            .as_str()
            .unwrap_or_default()
            .to_owned();
        assert!(told.contains("rows"), "{what}: {answer}");
        assert_eq!(answer["frames"][0]["measured"], false, "{what}: {answer}");
        assert_eq!(
            answer["frames"][0]["causes"],
            serde_json::json!([]),
            "{what}: {answer}"
        );
    }
}

#[test]
fn a_lens_once_seen_is_kept_in_the_file_named_and_a_broken_file_is_told() {
    let temp = Night::get().frames(&SKY[..2], &[]);
    let night = temp.night();
    let kept = night.join("lenses.toml");
    let identify = |frame: &str| {
        let told = ["identify", "--json", "--lenses", kept.to_str().unwrap()];
        nightloom(&told, &[&night.join(frame)])
    };
    let focal = |answer: &Value| answer["focal_px"].as_f64().unwrap();
    let first = json(&identify(SKY[0]));
    let table: toml_edit::DocumentMut = fs::read_to_string(&kept).unwrap().parse().unwrap();
    let lenses = table["lens"].as_array_of_tables().unwrap();
    assert_eq!(lenses.len(), 1);
    let seen = lenses.get(0).unwrap()["focal_px"].as_float().unwrap();
    assert!((seen / focal(&first) - 1.0).abs() < 1e-6, "{seen} for {first}");
    // The second frame is looked at through it, and the lens stays one.
    let second = json(&identify(SKY[1]));
    assert_eq!(second["identified"], true);
    assert!((focal(&second) / seen - 1.0).abs() < 5e-4, "{second}");
    let again: toml_edit::DocumentMut = fs::read_to_string(&kept).unwrap().parse().unwrap();
    assert_eq!(again["lens"].as_array_of_tables().unwrap().len(), 1);
    fs::write(&kept, "[[lens]]\nsize_px = 3\n").unwrap();
    let broken = identify(SKY[0]);
    let told = String::from_utf8_lossy(&broken.stderr).into_owned();
    assert_eq!(broken.status.code(), Some(2), "{told}");
    assert!(told.contains("lenses.toml") && told.contains("size_px"), "{told}");
}

#[test]
fn nothing_readable_is_could_not_and_nothing_to_judge_is_no() {
    let temp = Night::get().frames(&SKY[..1], &[]);
    let night = temp.night();
    let letter = night.join("letter.dng");
    fs::write(&letter, "no frame").unwrap();
    assert_eq!(nightloom(&["check"], &[&letter]).status.code(), Some(2));
    let flat = night.join("flat.dng");
    write_even(&flat);
    let output = nightloom(&["check", "--json"], &[&flat]);
    assert_eq!(
        output.status.code(),
        Some(1),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    assert_eq!(json(&output)["frames"][0]["measured"], false);
}

/// A raw frame of a few pixels without a star.
fn write_even(path: &Path) {
    let samples = vec![600u16; 96 * 64];
    let meta = FrameMeta {
        exposure_s: Some(30.0),
        ..FrameMeta::default()
    };
    let frame = DngFrame {
        width: 96,
        height: 64,
        samples: &samples,
        cfa: Cfa::RGGB,
        black: [512; 4],
        white: 16383,
        as_shot_neutral: [0.5, 1.0, 0.6],
        xyz_to_camera: [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]],
        meta: &meta,
    };
    write_dng(path, &frame).unwrap();
}

#[test]
fn watching_once_tells_every_frame_on_a_line_and_touches_none() {
    let temp = Night::get().frames(&SKY[..2], &[]);
    let night = temp.night();
    let before: Vec<_> = SKY[..2].iter().map(|n| about(&night.join(n))).collect();
    let output = nightloom(&["watch", "--once", "--json"], &[&night]);
    assert_eq!(
        output.status.code(),
        Some(0),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    let text = String::from_utf8(output.stdout).unwrap();
    let lines: Vec<Value> = text.lines().map(|l| serde_json::from_str(l).unwrap()).collect();
    assert_eq!(lines.len(), 3, "{text}");
    for line in &lines[..2] {
        assert!(line["frame"].is_string() && line["causes"].is_array() && line["trends"].is_object());
    }
    assert_eq!(lines[2]["ended"], true);
    assert_eq!(lines[2]["frames"], 2);
    let after: Vec<_> = SKY[..2].iter().map(|n| about(&night.join(n))).collect();
    assert_eq!(before, after);
}

fn about(path: &Path) -> (u64, std::time::SystemTime, Vec<u8>) {
    let about = fs::metadata(path).unwrap();
    (about.len(), about.modified().unwrap(), fs::read(path).unwrap())
}

#[cfg(unix)]
#[test]
fn a_frame_that_lands_in_two_pieces_is_told_once_it_is_whole() {
    let temp = Night::get().frames(&SKY[..1], &[]);
    let night = temp.night();
    let whole = fs::read(night.join(SKY[0])).unwrap();
    let folder = night.join("card");
    fs::create_dir(&folder).unwrap();
    let mut child = Command::new(env!("CARGO_BIN_EXE_nightloom"))
        .args(["watch", "--json", "--quiet", "--every", "0.2"])
        .arg(&folder)
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let landing = folder.join("a.dng");
    fs::write(&landing, &whole[..whole.len() / 3]).unwrap();
    std::thread::sleep(std::time::Duration::from_millis(1200));
    fs::write(&landing, &whole).unwrap();
    let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
    let first: Value = serde_json::from_str(&lines.next().unwrap().unwrap()).unwrap();
    assert!(first["error"].is_null(), "{first}");
    assert!(first["frame"].as_str().is_some_and(|f| f.ends_with("a.dng")));
    let asked = Command::new("kill")
        .args(["-INT", &child.id().to_string()])
        .status()
        .unwrap();
    assert!(asked.success());
    let last: Value = serde_json::from_str(&lines.next().unwrap().unwrap()).unwrap();
    assert_eq!(last["ended"], true);
    assert_eq!(child.wait().unwrap().code(), Some(0));
}
