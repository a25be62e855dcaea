//! Files that are none, or not what they say, against the whole program.
#![cfg(unix)]

use std::fs;
use std::io::Write;
use std::path::Path;
use std::process::{Command, Output, Stdio};
use std::time::{Duration, Instant};

use crate::browser::{Served, exchange};
use crate::night::{status, stderr};

/// Nothing here is worked on for longer.
const AT_ONCE: Duration = Duration::from_secs(8);

fn nightloom(words: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_nightloom"))
        .args(words)
        .stdin(Stdio::null())
        .output()
        .unwrap()
}

fn at_once(words: &[&str]) -> Output {
    let began = Instant::now();
    let output = nightloom(words);
    assert!(began.elapsed() < AT_ONCE, "{words:?} took {:?}", began.elapsed());
    assert!(
        matches!(output.status.code(), Some(0..=2)),
        "{words:?}: {}",
        stderr(&output)
    );
    output
}

fn told(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned() + &stderr(output)
}

#[test]
fn pipes_and_devices_hold_nothing_up() {
    let folder = tempfile::tempdir().unwrap();
    let [outing, pipe, settings] =
        [".", "sky.dng", "outing.toml"].map(|n| folder.path().join(n).display().to_string());
    let made = Command::new("mkfifo").arg(&pipe).status().unwrap();
    assert!(made.success());
    for command in ["stars", "check", "identify"] {
        let said = told(&at_once(&[command, &pipe]));
        assert!(said.contains("not a regular file"), "{command}: {said}");
        let said = told(&at_once(&[command, "/dev/zero"]));
        assert!(said.contains("not a regular file"), "{command}: {said}");
    }
    assert!(Command::new("mkfifo").arg(&settings).status().unwrap().success());
    for command in ["night", "build"] {
        at_once(&[command, &outing]);
    }
    fs::remove_file(&settings).unwrap();
    let plan = "[outing]\nevening = 2026-08-12\n[site]\nlatitude_deg = 46.5\nlongitude_deg = 8.0\nskyline = \"/dev/zero\"\n";
    fs::write(&settings, plan).unwrap();
    let said = stderr(&at_once(&["night", &outing]));
    assert!(said.contains("not a regular file"), "{said}");
    fs::remove_file(&settings).unwrap();
    std::os::unix::fs::symlink("/dev/zero", &settings).unwrap();
    let said = stderr(&at_once(&["night", &outing]));
    assert!(said.contains("regular file"), "{said}");
}

/// A PNG of a palette whose pixels are all the same, as small as it can be.
fn palette(path: &Path, side: u32) {
    let mut encoder = png::Encoder::new(fs::File::create(path).unwrap(), side, side);
    encoder.set_color(png::ColorType::Indexed);
    encoder.set_depth(png::BitDepth::One);
    encoder.set_palette(vec![0, 0, 0, 255, 255, 255]);
    encoder.set_compression(png::Compression::High);
    let mut writer = encoder.write_header().unwrap();
    let mut stream = writer.stream_writer().unwrap();
    let row = vec![0; side.div_ceil(8) as usize];
    (0..side).for_each(|_| stream.write_all(&row).unwrap());
    stream.finish().unwrap();
}

/// A program that may take so many KiB of addresses, and its children with it.
fn within(kib: u32, words: &[&str]) -> Command {
    let mut command = Command::new("sh");
    let limited = format!("ulimit -v {kib}; exec \"$0\" \"$@\"");
    command
        .args(["-c", &limited, env!("CARGO_BIN_EXE_nightloom")])
        .args(words)
        .stdin(Stdio::null());
    command
}

#[test]
fn a_small_file_that_claims_much_costs_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let bomb = folder.path().join("sky/bomb.png");
    fs::create_dir(folder.path().join("sky")).unwrap();
    palette(&bomb, 18_000);
    let size = fs::metadata(&bomb).unwrap().len();
    assert!(size < 200_000, "{size} bytes");
    let outing = folder.path().to_str().unwrap();
    for (words, memory) in [
        (["stars", bomb.to_str().unwrap()], &["--memory", "512"][..]),
        (["stars", bomb.to_str().unwrap()], &[]),
        (["check", bomb.to_str().unwrap()], &[]),
        (["build", outing], &["--memory", "512"]),
        (["build", outing], &[]),
    ] {
        // The whole program in an address space that the pixels would not fit: 324 million, 1 to 34 bytes each.
        let output = within(3_000_000, &[&words, memory].concat()).output().unwrap();
        let said = told(&output);
        // Without another frame a build's answer is no.
        let expected = if words[0] == "build" { 1 } else { 2 };
        assert_eq!(status(&output), expected, "{words:?}: {said}");
        assert!(
            said.contains("too large") && said.contains("MiB"),
            "{words:?}: {said}"
        );
    }
}

/// The bombs on the pages: each answer is a sentence, at once, in an address space that the pixels would not fit.
#[test]
fn a_small_file_that_claims_much_costs_no_server() {
    let folder = crate::pages::outing();
    fs::create_dir(folder.path().join("sky")).unwrap();
    palette(&folder.path().join("sky/bomb.png"), 18_000);
    // The head of a sound JPEG (baseline start of frame, ITU-T T.81, B.2.2) claims 20000 rows and columns.
    let sound = concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/../raster/tests/fixtures/decode/turned.jpg"
    );
    let mut jpeg = fs::read(sound).unwrap();
    let head = jpeg.windows(3).position(|w| w == [0xff, 0xc0, 0]).unwrap();
    jpeg[head + 5..head + 9].copy_from_slice(&[0x4e, 0x20, 0x4e, 0x20]);
    fs::write(folder.path().join("sky/bomb.jpg"), jpeg).unwrap();
    let served = Served::by(|words| within(3_000_000, words), folder.path());
    let host = format!("127.0.0.1:{}", served.port);
    let ask = |path: &str| {
        let began = Instant::now();
        let answer = exchange(served.port, "GET", path, &[("Host", &host)], "");
        assert!(began.elapsed() < AT_ONCE, "{path} took {:?}", began.elapsed());
        answer
    };
    for name in ["sky/bomb.png", "sky/bomb.jpg"] {
        for page in [
            "/thumbnail?name=",
            "/verdict?name=",
            "/pixels/tile?level=0&x=0&y=0&stretch=auto&name=",
        ] {
            let answer = ask(&format!("{page}{name}"));
            let said = answer.text();
            assert!(
                said.contains("too large") || said.contains("cannot hold"),
                "{page}{name}: {} {said}",
                answer.status
            );
        }
    }
    assert_eq!(ask("/frames").status, 200);
}

/// Where the system gives too little memory, the frame is not blamed.
#[test]
fn a_frame_for_which_there_is_no_memory_is_not_called_damaged() {
    let folder = tempfile::tempdir().unwrap();
    let frame = folder.path().join("frame.png");
    palette(&frame, 6000);
    let mut short = 0;
    // From too little for the program itself to enough for its decoder; how much that is differs by machine.
    for kib in (60_000..400_000).step_by(20_000) {
        let output = within(kib, &["stars", "--threads", "1", frame.to_str().unwrap()]).output();
        let said = told(&output.unwrap());
        assert!(!said.contains("damaged"), "{kib} KiB: {said}");
        short += usize::from(said.contains("needs more memory than is allowed"));
    }
    assert!(short > 0, "the decoder never was short of memory");
}

#[test]
fn names_do_not_speak_to_the_terminal() {
    let folder = tempfile::tempdir().unwrap();
    let sky = folder.path().join("sky");
    fs::create_dir(&sky).unwrap();
    let name = "a\u{1b}[2J\u{7}\r\u{202e}gpj.dng";
    fs::write(sky.join(name), b"no frame").unwrap();
    for words in [
        vec!["build", folder.path().to_str().unwrap()],
        vec!["new", folder.path().to_str().unwrap()],
        vec!["check", sky.join(name).to_str().unwrap()],
    ] {
        let output = at_once(&words);
        for bytes in [&output.stdout, &output.stderr] {
            let text = String::from_utf8_lossy(bytes);
            assert!(
                !text.contains(['\u{1b}', '\u{7}', '\r', '\u{202e}']),
                "{words:?}: {text:?}"
            );
        }
    }
}

#[test]
fn a_system_folder_is_not_taken_for_an_outing() {
    let many = tempfile::tempdir().unwrap();
    for n in 0..5001 {
        fs::write(many.path().join(format!("{n}.dng")), b"").unwrap();
    }
    for command in ["new", "build"] {
        for folder in ["/", "/usr", "/etc", many.path().to_str().unwrap()] {
            let output = at_once(&[command, folder]);
            assert_eq!(status(&output), 2, "{command} {folder}");
            let said = stderr(&output);
            assert!(said.contains("--yes"), "{command} {folder}: {said}");
        }
    }
    assert!(!Path::new("/outing.toml").exists() && !many.path().join("outing.toml").exists());
}
