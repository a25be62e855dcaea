//! What the photographer did is never undone, what failed for a moment is never kept, and what was kept proves itself.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, Ordering};

use nightloom_outing::{World, read_settings};
use nightloom_pipeline::{BuildReport, build};
use nightloom_raster::{DecodeError, DecodeOptions, Frame, FrameMeta, Limits, decode_here_with, read_meta};
use nightloom_sky::Instant;
use serde_json::Value;

use crate::night::{Chance, LAND, Night, SKY, assert_same_results, built, left_out};

fn warnings(report: &Value) -> String {
    report["warnings"].to_string()
}

/// A change of settings that asks for the picture anew and for nothing else, and back.
fn ask_anew(night: &Path, again: bool) {
    let file = night.join("outing.toml");
    if again {
        fs::write(file, "[outing]\nnote = \"again\"\n").unwrap();
    } else {
        fs::remove_file(file).unwrap();
    }
}

#[test]
fn retouching_is_kept_beside_and_said() {
    let temp = Night::get().few_built();
    let night = temp.night();
    let picture = night.join("picture");
    // Outside: a picture inside would be a frame.
    let away = tempfile::tempdir().unwrap();
    let elsewhere = &away.path().join("elsewhere.tif");
    let retouched: BTreeMap<&str, Vec<u8>> = ["picture.tif", "layers.ora"]
        .map(|name| {
            let mut bytes = fs::read(picture.join(name)).unwrap();
            bytes.extend(b"a night's retouching");
            fs::write(picture.join(name), &bytes).unwrap();
            (name, bytes)
        })
        .into();
    // A folder and a link where results go, and a file that is nobody's business.
    fs::remove_file(picture.join("preview.jpg")).unwrap();
    fs::create_dir(picture.join("preview.jpg")).unwrap();
    fs::write(picture.join("preview.jpg/mine"), "mine").unwrap();
    fs::rename(picture.join("sky.tif"), elsewhere).unwrap();
    #[cfg(unix)]
    std::os::unix::fs::symlink(elsewhere, picture.join("sky.tif")).unwrap();
    fs::write(picture.join("print.tif"), "for the wall").unwrap();
    let report = built(&night);
    let said = warnings(&report);
    for (name, bytes) in &retouched {
        let (stem, ending) = name.split_once('.').unwrap();
        let kept = format!("{stem}-kept-1.{ending}");
        assert!(fs::read(picture.join(&kept)).unwrap() == *bytes, "{kept}");
        assert!(said.contains(&kept), "{said}");
    }
    assert_eq!(
        fs::read(picture.join("preview-kept-1.jpg/mine")).unwrap(),
        b"mine"
    );
    assert!(
        fs::symlink_metadata(picture.join("sky-kept-1.tif"))
            .unwrap()
            .is_symlink()
    );
    assert!(elsewhere.is_file(), "nothing is removed through a link");
    assert_eq!(fs::read(picture.join("print.tif")).unwrap(), b"for the wall");
    fs::remove_file(elsewhere).unwrap();
    assert_same_results(&night, &Night::get().few());
    // Nothing was changed since: nothing is kept, and nothing is done.
    let again = built(&night);
    assert_eq!(again["steps"]["done"], 0);
    assert!(!picture.join("picture-kept-2.tif").exists() && !warnings(&again).contains("kept-1"));
    // A picture folder that is not of a build, without a journal that knows it.
    fs::remove_dir_all(night.join(".nightloom")).unwrap();
    fs::remove_dir_all(&picture).unwrap();
    fs::create_dir(&picture).unwrap();
    fs::write(picture.join("picture.tif"), "mine").unwrap();
    built(&night);
    assert_eq!(fs::read(picture.join("picture-kept-1.tif")).unwrap(), b"mine");
    assert_same_results(&night, &Night::get().few());
}

#[test]
fn nothing_is_removed_that_the_journal_does_not_name() {
    let temp = Night::get().few_built();
    let night = temp.night();
    let files = night.join(".nightloom/files");
    // Among the work files, and in a scratch folder that they are linked to.
    fs::write(files.join("thesis.txt"), "mine").unwrap();
    let left = format!(".frame-{}.work-4711-0.part", "0".repeat(24));
    fs::write(files.join(&left), "begun").unwrap();
    ask_anew(&night, true);
    built(&night);
    assert_eq!(fs::read(files.join("thesis.txt")).unwrap(), b"mine");
    assert!(
        !files.join(&left).exists(),
        "what a killed build had begun is gone"
    );
    #[cfg(unix)]
    {
        let scratch = night.with_file_name("scratch");
        fs::rename(&files, &scratch).unwrap();
        std::os::unix::fs::symlink(&scratch, &files).unwrap();
        let before = fs::read_dir(&scratch).unwrap().count();
        ask_anew(&night, false);
        built(&night);
        assert_eq!(fs::read(scratch.join("thesis.txt")).unwrap(), b"mine");
        assert!(fs::read_dir(&scratch).unwrap().count() >= before);
    }
}

/// Copies of the first frames of a folder of the whole night, by name.
fn some_of(whole: &Path, night: &Path, role: &str, count: usize) -> Vec<PathBuf> {
    let mut names: Vec<_> = fs::read_dir(whole.join(role))
        .unwrap()
        .flatten()
        .map(|e| e.file_name())
        .collect();
    names.sort();
    fs::create_dir_all(night.join(role)).unwrap();
    let copied = names.iter().take(count).map(|name| {
        let to = night.join(role).join(name);
        fs::copy(whole.join(role).join(name), &to).unwrap();
        to
    });
    copied.collect()
}

/// The frames decoded here, some of them failing when told to.
struct Failing {
    stop: AtomicBool,
    fail: Mutex<BTreeMap<PathBuf, DecodeError>>,
    /// Written to when it is decoded.
    touch: Mutex<Option<PathBuf>>,
    /// What this machine takes for the time.
    now: Instant,
}

impl Failing {
    fn new() -> Self {
        Self {
            stop: AtomicBool::new(false),
            fail: Mutex::default(),
            touch: Mutex::default(),
            now: Instant::from_timestamp(jiff::Timestamp::now()),
        }
    }

    fn fails(&self, path: &Path, error: DecodeError) {
        self.fail.lock().unwrap().insert(path.into(), error);
    }

    fn build(&self, night: &Path) -> BuildReport {
        build(night, &read_settings(night).unwrap(), self).unwrap()
    }
}

impl World for Failing {
    fn now(&self) -> Instant {
        self.now
    }
    fn cancelled(&self) -> &AtomicBool {
        &self.stop
    }
    fn decode(&self, path: &Path, options: &DecodeOptions) -> Result<Frame, DecodeError> {
        if let Some(error) = self.fail.lock().unwrap().get(path) {
            return Err(error.clone());
        }
        let frame = decode_here_with(path, options, &Limits::default());
        if self
            .touch
            .lock()
            .unwrap()
            .take_if(|t| t.as_path() == path)
            .is_some()
        {
            let mut bytes = fs::read(path).unwrap();
            bytes.push(0);
            fs::write(path, bytes).unwrap();
        }
        frame
    }
    fn meta(&self, path: &Path) -> Result<FrameMeta, DecodeError> {
        read_meta(path)
    }
}

#[test]
fn what_fails_for_a_moment_is_tried_again() {
    let shared = Night::get();
    let temp = shared.few_frames();
    let night = temp.night();
    let darks = some_of(&shared.whole(), &night, "darks", 3);
    let whole = Failing::new().build(&night);
    assert_eq!(whole.incomplete, Vec::<String>::new());
    let expected = fs::read(night.join("picture/linear.fits")).unwrap();
    for kept in [".nightloom", "picture"] {
        fs::remove_dir_all(night.join(kept)).unwrap();
    }
    // A dark and a sky frame whose decoder somebody ends, a land frame that is away.
    let world = Failing::new();
    let file = |p: &Path| p.display().to_string();
    let killed = |p: &Path| DecodeError::Killed {
        file: file(p),
        how: "ended by signal 9".into(),
    };
    let (sky, land) = (night.join(SKY[3]), night.join(LAND[1]));
    world.fails(&sky, killed(&sky));
    world.fails(&darks[0], killed(&darks[0]));
    let away = DecodeError::Unreadable {
        file: file(&land),
        why: "No such file".into(),
    };
    world.fails(&land, away);
    let less = world.build(&night);
    assert_eq!(less.incomplete.len(), 3, "{:?}", less.incomplete);
    assert!(
        less.warnings.iter().any(|w| w.contains("incomplete")),
        "{:?}",
        less.warnings
    );
    assert_eq!(less.sky.as_ref().map(|s| s.frames_used), Some(3));
    let partly = fs::read(night.join("picture/linear.fits")).unwrap();
    assert!(partly != expected);
    // As soon as they can be read, the picture is the one their frames make.
    world.fail.lock().unwrap().clear();
    let more = world.build(&night);
    assert_eq!(more.incomplete, Vec::<String>::new());
    assert_eq!(more.sky.as_ref().map(|s| s.frames_used), Some(4));
    assert!(fs::read(night.join("picture/linear.fits")).unwrap() == expected);
    assert_eq!(world.build(&night).steps.done, 0);
}

#[test]
fn a_file_that_changes_while_it_is_decoded_is_no_result() {
    let temp = Night::get().few_frames();
    let night = temp.night();
    let world = Failing::new();
    let sky = night.join(SKY[2]);
    *world.touch.lock().unwrap() = Some(sky.clone());
    let changed = world.build(&night);
    let frame = changed.frames.iter().find(|f| f.path == SKY[2]).unwrap();
    assert!(
        !frame.used && frame.reason.contains("changed while"),
        "{}",
        frame.reason
    );
    assert_eq!(changed.incomplete, [SKY[2]]);
    assert!(!world.stop.load(Ordering::Relaxed));
    let after = world.build(&night);
    assert_eq!(
        (after.incomplete.len(), after.sky.map(|s| s.frames_used)),
        (0, Some(4))
    );
}

/// A laptop whose battery was empty: frames from its future are frames all the same.
#[test]
fn a_laptop_clock_that_is_years_behind_changes_nothing() {
    let shared = Night::get();
    let temp = shared.few_frames();
    let night = temp.night();
    let world = Failing {
        now: "2004-01-01T00:00:00Z".parse().unwrap(),
        ..Failing::new()
    };
    let report = world.build(&night);
    let said = report.warnings.join(" ");
    assert!(!said.contains("clock"), "{said}");
    for name in ["linear.fits", "picture.tif", "matte.tif", "coverage.tif"] {
        let file = |folder: &Path| fs::read(folder.join("picture").join(name)).unwrap();
        assert!(file(&night) == file(&shared.few()), "{name}");
    }
    // Nor is anything made anew once the clock is right.
    assert_eq!(Failing::new().build(&night).steps.done, 0);
}

/// One bit in every file of kept work: whatever is not what it was is made again.
#[test]
fn flipped_bits_in_kept_work_make_no_other_picture() {
    let shared = Night::get();
    let mut chance = Chance(2_011);
    for round in 0..3 {
        let temp = shared.few_built();
        let night = temp.night();
        let mut flipped = 0;
        let kept = [night.join(".nightloom"), night.join(".nightloom/files")];
        for path in kept
            .iter()
            .flat_map(|f| fs::read_dir(f).unwrap().flatten())
            .map(|e| e.path())
        {
            let mut bytes = if path.is_file() {
                fs::read(&path).unwrap()
            } else {
                Vec::new()
            };
            if bytes.is_empty() || path.ends_with("lock") {
                continue;
            }
            let at = match round {
                0 => 0,
                1 => bytes.len() - 1,
                _ => chance.below(bytes.len()),
            };
            bytes[at] ^= 1 << chance.below(8);
            fs::write(&path, bytes).unwrap();
            flipped += 1;
        }
        assert!(flipped > 20, "{flipped}");
        fs::remove_file(night.join("picture/preview.jpg")).unwrap();
        built(&night);
        assert_same_results(&night, &shared.few());
    }
}

#[test]
fn two_frames_of_the_same_pixels_are_one() {
    let temp = Night::get().few_frames();
    let night = temp.night();
    fs::copy(night.join(SKY[0]), night.join("sky/again.dng")).unwrap();
    // The same pixels under another time.
    let mut bytes = fs::read(night.join(SKY[1])).unwrap();
    // As EXIF writes it (CIPA DC-008, DateTime): YYYY:MM:DD HH:MM:SS.
    let is_time = |w: &[u8]| [4, 7, 13, 16].iter().all(|&i| w[i] == b':') && w[10] == b' ';
    let times: Vec<usize> = (0..bytes.len() - 19)
        .filter(|&i| is_time(&bytes[i..i + 19]))
        .collect();
    assert!(!times.is_empty(), "no time in the file");
    for at in times {
        bytes[at + 18] = if bytes[at + 18] == b'7' { b'8' } else { b'7' };
    }
    fs::write(night.join("sky/other_time.dng"), bytes).unwrap();
    let report = built(&night);
    assert_eq!(report["sky"]["frames_used"], 4);
    let copies = ["sky/again.dng", SKY[0], "sky/other_time.dng", SKY[1]];
    let out: Vec<&&str> = copies
        .iter()
        .filter(|n| crate::night::frame(&report, n)["used"] == false)
        .collect();
    assert_eq!(out.len(), 2, "{out:?}");
    for name in out {
        let why = left_out(&report, name);
        assert!(
            why.contains("copy of") || why.contains("pixels are those"),
            "{why}"
        );
    }
}

#[test]
fn blocks_that_a_card_lost_are_found_in_every_role() {
    let shared = Night::get();
    let temp = shared.frames(&SKY[..4], &LAND[..3]);
    let night = temp.night();
    let mut spoilt = Vec::new();
    for role in ["darks", "flats"] {
        let copies = some_of(&shared.whole(), &night, role, 4);
        spoilt.push(format!(
            "{role}/{}",
            copies[1].file_name().unwrap().to_str().unwrap()
        ));
    }
    spoilt.extend([SKY[2].to_owned(), LAND[1].to_owned()]);
    for name in &spoilt {
        // 64 KiB of zeros amidst the pixels.
        let mut bytes = fs::read(night.join(name)).unwrap();
        let at = (bytes.len() / 2) & !511;
        bytes[at..at + (64 << 10)].fill(0);
        fs::write(night.join(name), bytes).unwrap();
    }
    let report = built(&night);
    for name in &spoilt {
        let why = left_out(&report, name);
        assert!(why.contains("rows") && why.contains("one value"), "{name}: {why}");
    }
    assert_eq!(report["sky"]["frames_used"], 3);
    assert_eq!(report["land"]["frames_used"], 2);
}
