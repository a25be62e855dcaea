//! What the program says and answers, run as a person runs it.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::time::{Duration, Instant};

use nightloom_raster::{Cfa, FrameMeta};
use nightloom_simulate::{DngFrame, write_dng};
use serde_json::Value;

/// A folder that is gone when the test is.
struct Temp(tempfile::TempDir);

impl Temp {
    fn new() -> Self {
        Self(tempfile::tempdir().unwrap())
    }
    fn join(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }
}

fn nightloom() -> Command {
    Command::new(env!("CARGO_BIN_EXE_nightloom"))
}

fn run(args: &[&str], folder: &Path) -> Output {
    nightloom()
        .args(args)
        .arg(folder)
        .stdin(Stdio::null())
        .output()
        .unwrap()
}

fn status(output: &Output) -> i32 {
    output.status.code().unwrap()
}

fn stderr(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

/// The one JSON object that standard output must be.
fn json(output: &Output) -> Value {
    serde_json::from_slice(&output.stdout)
        .unwrap_or_else(|e| panic!("{e} in {}", String::from_utf8_lossy(&output.stdout)))
}

/// A small raw frame with noise about a level.
fn write_frame(path: &Path, exposure_s: f64) {
    let (width, height) = (96usize, 64usize);
    let samples: Vec<u16> = (0..width * height)
        .map(|i| 600 + ((i * 7919) % 31) as u16)
        .collect();
    let meta = FrameMeta {
        exposure_s: Some(exposure_s),
        f_number: Some(2.8),
        iso: Some(800.0),
        focal_mm: Some(24.0),
        taken_local: Some("2024-11-20T21:00:20".into()),
        taken_offset: Some("+02:00".into()),
        make: Some("Nightloom".into()),
        model: Some("Test body".into()),
        gps_deg: Some([45.42, 24.1]),
        gps_elevation_m: Some(1240.0),
        ..FrameMeta::default()
    };
    fs::create_dir_all(path.parent().unwrap()).unwrap();
    let frame = DngFrame {
        width,
        height,
        samples: &samples,
        cfa: Cfa::RGGB,
        black: [512; 4],
        white: 16383,
        as_shot_neutral: [0.5, 1.0, 0.6],
        xyz_to_camera: [[0.7, -0.2, -0.1], [-0.4, 1.2, 0.2], [-0.1, 0.2, 0.6]],
        meta: &meta,
    };
    write_dng(path, &frame).unwrap();
}

#[test]
fn new_reads_real_frames_and_writes_settings() {
    let folder = Temp::new();
    write_frame(&folder.join("sky/1.dng"), 90.0);
    write_frame(&folder.join("darks/2.dng"), 90.0);
    fs::write(folder.join("sky/empty.dng"), b"").unwrap();
    let output = run(&["new", "--json"], folder.0.path());
    assert_eq!(status(&output), 0, "{}", stderr(&output));
    let report = json(&output);
    assert_eq!(report["roles"]["sky"], 1, "{report}");
    assert_eq!(report["roles"]["dark"], 1, "{report}");
    assert_eq!(report["unreadable"][0][0], "sky/empty.dng", "{report}");
    let text = fs::read_to_string(folder.join("outing.toml")).unwrap();
    for line in [
        "latitude_deg = 45.42",
        "longitude_deg = 24.1",
        "focal_mm = 24.0",
        "offset = \"+02:00\"",
    ] {
        assert!(text.contains(line), "{line} is missing in\n{text}");
    }
    assert!(text.contains("camera = \"Nightloom Test body\""), "{text}");

    // Again it finds nothing new, and leaves the file alone.
    let again = run(&["new"], folder.0.path());
    assert_eq!(status(&again), 0, "{}", stderr(&again));
    assert_eq!(fs::read_to_string(folder.join("outing.toml")).unwrap(), text);
    let forced = run(&["new", "--force"], folder.0.path());
    assert_eq!(status(&forced), 0, "{}", stderr(&forced));
    assert!(folder.join("outing.toml.old").exists());
}

#[test]
fn folders_that_cannot_serve_are_status_2_in_a_sentence() {
    let folder = Temp::new();
    for command in ["new", "build"] {
        let missing = run(&[command], &folder.join("nowhere"));
        assert_eq!(status(&missing), 2);
        assert!(
            stderr(&missing).contains("does not exist"),
            "{}",
            stderr(&missing)
        );
        assert!(missing.stdout.is_empty());
        let empty = run(&[command, "--json"], folder.0.path());
        assert_eq!(status(&empty), 2);
        assert!(
            json(&empty)["error"]
                .as_str()
                .unwrap()
                .contains("no frames were found"),
            "{}",
            json(&empty)
        );
    }
    assert!(
        !folder.join(".nightloom").exists(),
        "a look at an empty folder must leave nothing behind"
    );
    fs::write(folder.join("file"), b"x").unwrap();
    let file = run(&["build"], &folder.join("file"));
    assert_eq!(status(&file), 2);
    assert!(stderr(&file).contains("is a file"), "{}", stderr(&file));
}

#[test]
fn wrong_settings_name_file_line_and_key() {
    let folder = Temp::new();
    write_frame(&folder.join("sky/1.dng"), 90.0);
    fs::write(folder.join("outing.toml"), "[site]\nlatitude = 46\n[frames]\n").unwrap();
    let output = run(&["build"], folder.0.path());
    assert_eq!(status(&output), 2);
    let said = stderr(&output);
    assert!(
        said.contains("outing.toml, line 2, site.latitude") && said.contains("latitude_deg"),
        "{said}"
    );
    fs::write(
        folder.join("outing.toml"),
        "[frames]\n\"sky/2.dng\" = { use = false }\n",
    )
    .unwrap();
    let output = run(&["build"], folder.0.path());
    assert_eq!(status(&output), 2);
    assert!(
        stderr(&output).contains("line 2") && stderr(&output).contains("sky/1.dng"),
        "{}",
        stderr(&output)
    );
}

#[test]
fn frames_of_which_no_picture_can_be_made_are_status_1() {
    let folder = Temp::new();
    write_frame(&folder.join("darks/1.dng"), 90.0);
    fs::create_dir_all(folder.join("sky")).unwrap();
    fs::write(folder.join("sky/broken.dng"), b"").unwrap();
    let output = run(&["build", "--json"], folder.0.path());
    assert_eq!(status(&output), 1, "{}", stderr(&output));
    let error = json(&output)["error"].as_str().unwrap().to_owned();
    assert!(error.contains("no picture can be made"), "{error}");
}

/// Nothing can be written: here because the work folder's name is taken by a file, which stops root too.
#[test]
fn a_folder_that_cannot_be_written_is_status_2() {
    let folder = Temp::new();
    write_frame(&folder.join("sky/1.dng"), 90.0);
    fs::write(folder.join(".nightloom"), b"x").unwrap();
    let output = run(&["build"], folder.0.path());
    assert_eq!(status(&output), 2);
    assert!(
        stderr(&output).contains("nothing can be written"),
        "{}",
        stderr(&output)
    );
}

/// Root may write everywhere, so the program is then run as a user who may not (65534, `nobody`).
#[cfg(unix)]
#[test]
fn a_read_only_folder_is_left_as_it_is() {
    use std::os::unix::fs::{MetadataExt, PermissionsExt};
    use std::os::unix::process::CommandExt;
    let temp = Temp::new();
    let folder = temp.join("night");
    write_frame(&folder.join("sky/1.dng"), 90.0);
    // Others may not be let into the folder that the program was built in.
    let program = temp.join("nightloom");
    fs::copy(env!("CARGO_BIN_EXE_nightloom"), &program).unwrap();
    let set = |path: &Path, mode| fs::set_permissions(path, fs::Permissions::from_mode(mode)).unwrap();
    set(temp.0.path(), 0o755);
    set(&program, 0o755);
    set(&folder, 0o555);
    let root = fs::metadata("/proc/self").is_ok_and(|m| m.uid() == 0);
    let outputs = ["new", "build"].map(|command| {
        let mut run = Command::new(&program);
        run.args([command, "--json"]).arg(&folder).stdin(Stdio::null());
        if root {
            run.uid(65534).gid(65534);
        }
        run.output().unwrap()
    });
    set(&folder, 0o755);
    for output in &outputs {
        assert_eq!(status(output), 2, "{}", stderr(output));
        let said = json(output)["error"].as_str().unwrap().to_owned();
        assert!(said.contains("nothing can be written"), "{said}");
    }
    let left: Vec<_> = fs::read_dir(&folder)
        .unwrap()
        .flatten()
        .map(|e| e.file_name())
        .collect();
    assert_eq!(left, ["sky"]);
}

#[test]
fn wrong_flags_are_status_2() {
    for args in [
        &["build", "--threads", "0"][..],
        &["build", "--memory", "3"],
        &["demo", "--frames", "0"],
        &["buidl"],
    ] {
        let output = run(args, Path::new("nowhere"));
        assert_eq!(status(&output), 2, "{args:?}");
        assert!(output.stdout.is_empty() && !output.stderr.is_empty());
    }
}

#[test]
fn the_demo_touches_nothing_of_others() {
    let folder = Temp::new();
    fs::create_dir_all(folder.join("sky")).unwrap();
    fs::write(folder.join("sky/mine.dng"), b"mine").unwrap();
    let output = run(&["demo", "--size", "small"], folder.0.path());
    assert_eq!(status(&output), 2);
    assert!(stderr(&output).contains("not empty"), "{}", stderr(&output));
    assert_eq!(fs::read(folder.join("sky/mine.dng")).unwrap(), b"mine");
    assert_eq!(fs::read_dir(folder.0.path()).unwrap().count(), 1);
}

/// The decoder's argument comes before the command line and answers no person.
#[test]
fn the_decoder_child_refuses_nonsense() {
    let output = nightloom()
        .args(["decode-child", "no request", "no file"])
        .output()
        .unwrap();
    assert_ne!(status(&output), 0);
}

/// Stopping takes a second at most on a machine that does nothing else; tests share theirs.
#[cfg(unix)]
const STOPS_WITHIN: Duration = Duration::from_secs(5);

#[cfg(unix)]
#[test]
fn ctrl_c_stops_and_loses_nothing() {
    let folder = Temp::new();
    let out = folder.join("night");
    let mut child = nightloom()
        .args(["demo", "--size", "default", "--json"])
        .arg(&out)
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    wait_for(|| out.join("sky").exists());
    let asked = Instant::now();
    interrupt(&child);
    let status = child.wait().unwrap();
    assert!(asked.elapsed() < STOPS_WITHIN, "it took {:?}", asked.elapsed());
    assert_eq!(status.code(), Some(2));
    let told: Value = serde_json::from_reader(child.stdout.take().unwrap()).unwrap();
    assert!(told["error"].as_str().unwrap().contains("stopped"), "{told}");
    // Nothing half-written stands under a final name: every frame that is there decodes.
    let frames = fs::read_dir(out.join("sky")).unwrap().flatten().map(|e| e.path());
    for frame in frames.filter(|p| p.extension().is_some_and(|e| e == "dng")) {
        nightloom_raster::decode_here(&frame, &nightloom_raster::Limits::default()).unwrap();
    }
}

#[cfg(unix)]
fn interrupt(child: &Child) {
    let done = Command::new("sh")
        .args(["-c", &format!("kill -INT {}", child.id())])
        .status()
        .unwrap();
    assert!(done.success());
}

#[cfg(unix)]
fn wait_for(ready: impl Fn() -> bool) {
    let began = Instant::now();
    while !ready() {
        assert!(began.elapsed() < Duration::from_secs(120), "it never began");
        std::thread::sleep(Duration::from_millis(20));
    }
}
