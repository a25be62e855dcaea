//! Watching a folder: files half written, renamed, deleted, landing together.

use std::path::{Path, PathBuf};
use std::time::Duration;

use nightloom_frames::{Cause, CauseFound, FrameCheck, Listed, WatchSettings, Watcher, judge_together, list};
use nightloom_stars::FrameQuality;

use crate::temp::Temp;

fn file(name: &str, bytes: u64, written_s: u64) -> Listed {
    Listed {
        path: PathBuf::from(name),
        bytes,
        modified: Some(Duration::from_secs(written_s)),
    }
}

fn paths(names: &[&str]) -> Vec<PathBuf> {
    names.iter().map(PathBuf::from).collect()
}

fn unreadable(name: &str) -> FrameCheck {
    FrameCheck::unreadable(name.into(), "its end is missing".into())
}

/// A check that succeeded; what it says does not matter here.
fn readable(name: &str) -> FrameCheck {
    FrameCheck {
        error: None,
        ..unreadable(name)
    }
}

/// A frame of stars so many pixels wide; good by itself.
fn seen(name: &str, fwhm_px: f32) -> FrameCheck {
    FrameCheck {
        measured: true,
        settings: [Some(90.0), Some(800.0), Some(2.8)],
        causes: vec![CauseFound {
            cause: Cause::Good,
            likelihood: 0.9,
            figure: String::new(),
        }],
        quality: Some(FrameQuality {
            stars: 500,
            fwhm_px,
            elongation: 1.1,
            background: 0.02,
            noise: 0.001,
            sky_fraction: 0.8,
            ..FrameQuality::default()
        }),
        ..readable(name)
    }
}

/// Frames as they land are told what a check of all of them says, those told before too.
#[test]
fn what_is_told_as_frames_land_is_what_a_check_of_all_says() {
    let mut watcher = Watcher::new(WatchSettings::default());
    let frames: Vec<FrameCheck> = [("a", 3.4), ("b", 2.0), ("c", 2.1), ("d", 3.5)]
        .map(|(name, width)| seen(name, width))
        .to_vec();
    let mut told = std::collections::BTreeMap::new();
    for check in &frames {
        let event = watcher
            .tried(&PathBuf::from(&check.frame), check.clone(), 0.0)
            .unwrap();
        for check in event.again.iter().chain([&event.check]) {
            told.insert(check.frame.clone(), check.first());
        }
    }
    let mut together = frames;
    judge_together(&mut together);
    assert_eq!(
        together[0].first(),
        Some(Cause::Good),
        "half of the set is as wide"
    );
    let at_once = together.iter().map(|c| (c.frame.clone(), c.first())).collect();
    assert_eq!(told, at_once);
    let mut watcher = Watcher::new(WatchSettings::default());
    for check in [seen("a", 3.4), seen("b", 2.0)] {
        watcher.tried(&PathBuf::from(&check.frame), check, 0.0);
    }
    let event = watcher.tried(&"c".into(), seen("c", 2.1), 0.0).unwrap();
    assert_eq!(event.again.len(), 1, "the first was the odd one");
    assert_eq!(event.again[0].first(), Some(Cause::Focus));
}

#[test]
fn a_file_is_left_alone_while_it_grows() {
    let mut watcher = Watcher::new(WatchSettings::default());
    assert!(watcher.look(&[file("a.dng", 0, 1)], 0.0).is_empty());
    assert!(
        watcher.look(&[file("a.dng", 0, 1)], 1.0).is_empty(),
        "nothing in it yet"
    );
    assert!(watcher.look(&[file("a.dng", 500, 2)], 2.0).is_empty());
    assert!(watcher.look(&[file("a.dng", 900, 3)], 3.0).is_empty());
    assert_eq!(watcher.look(&[file("a.dng", 900, 3)], 4.0), paths(&["a.dng"]));
    assert!(
        watcher.look(&[file("a.dng", 900, 3)], 5.0).is_empty(),
        "given out once only"
    );
}

#[test]
fn a_file_of_full_size_but_half_written_is_tried_again_ever_more_rarely() {
    // Some cameras lay the file out at full size first and fill it in afterwards.
    let mut watcher = Watcher::new(WatchSettings::default());
    let here = [file("a.dng", 900, 3)];
    let path = PathBuf::from("a.dng");
    watcher.look(&here, 0.0);
    assert_eq!(watcher.look(&here, 1.0), paths(&["a.dng"]));
    assert!(watcher.tried(&path, unreadable("a.dng"), 1.0).is_none());
    assert!(watcher.look(&here, 1.5).is_empty());
    assert_eq!(watcher.look(&here, 2.1), paths(&["a.dng"]));
    assert!(watcher.tried(&path, unreadable("a.dng"), 2.1).is_none());
    assert!(watcher.look(&here, 3.9).is_empty(), "the second wait is longer");
    assert_eq!(watcher.look(&here, 4.2), paths(&["a.dng"]));
    let event = watcher.tried(&path, readable("a.dng"), 4.2);
    assert!(event.is_some_and(|e| e.check.error.is_none()));
    assert!(watcher.look(&here, 100.0).is_empty());
}

#[test]
fn a_file_that_stays_unreadable_is_told_once_and_given_up() {
    let settings = WatchSettings {
        tries: 3,
        ..WatchSettings::default()
    };
    let mut watcher = Watcher::new(settings);
    let here = [file("a.dng", 900, 3)];
    let path = PathBuf::from("a.dng");
    let mut told = Vec::new();
    for second in 0..200 {
        let now = f64::from(second);
        for _ in watcher.look(&here, now) {
            told.extend(watcher.tried(&path, unreadable("a.dng"), now));
        }
    }
    assert_eq!(told.len(), 1);
    assert!(
        told[0]
            .alarm
            .as_deref()
            .is_some_and(|a| a.contains("its end is missing"))
    );
}

#[test]
fn a_file_written_anew_is_checked_anew() {
    let mut watcher = Watcher::new(WatchSettings::default());
    let path = PathBuf::from("a.dng");
    watcher.look(&[file("a.dng", 900, 3)], 0.0);
    watcher.look(&[file("a.dng", 900, 3)], 1.0);
    watcher.tried(&path, readable("a.dng"), 1.0);
    assert!(watcher.look(&[file("a.dng", 900, 9)], 2.0).is_empty());
    assert_eq!(watcher.look(&[file("a.dng", 900, 9)], 3.0), paths(&["a.dng"]));
    watcher.tried(&path, readable("a.dng"), 3.0);
    assert_eq!(
        watcher.checks().count(),
        1,
        "the later check stands in for the earlier"
    );
}

#[test]
fn a_file_that_vanishes_is_forgotten_and_two_at_once_both_come() {
    let mut watcher = Watcher::new(WatchSettings::default());
    let both = [file("b.dng", 900, 3), file("a.dng", 800, 3)];
    watcher.look(&both, 0.0);
    assert_eq!(watcher.look(&both, 1.0), paths(&["a.dng", "b.dng"]));
    // One is deleted while it is being read, and its reading fails.
    let rest = [file("b.dng", 900, 3)];
    assert!(watcher.look(&rest, 2.0).is_empty());
    assert!(
        watcher
            .tried(&PathBuf::from("a.dng"), unreadable("a.dng"), 2.0)
            .is_none()
    );
    assert!(
        watcher
            .tried(&PathBuf::from("b.dng"), readable("b.dng"), 2.0)
            .is_some()
    );
    assert!(watcher.look(&rest, 3.0).is_empty());
}

#[test]
fn once_waits_for_nothing() {
    let mut watcher = Watcher::new(WatchSettings::ONCE);
    let here = [file("a.dng", 900, 3), file("empty.dng", 0, 3)];
    assert_eq!(watcher.look(&here, 0.0), paths(&["a.dng"]));
    let told = watcher.tried(&PathBuf::from("a.dng"), unreadable("a.dng"), 0.0);
    assert!(told.is_some(), "an unreadable file is told at once");
}

#[test]
fn a_file_renamed_into_place_comes_under_its_new_name_only() {
    let folder = Temp::new();
    let at = |name: &str| folder.path().join(name);
    let mut watcher = Watcher::new(WatchSettings::default());
    std::fs::write(at("a.dng.part"), b"half").unwrap_or_default();
    std::fs::write(at(".hidden.dng"), b"half").unwrap_or_default();
    let look = |watcher: &mut Watcher, now: f64| watcher.look(&list(folder.path()).unwrap_or_default(), now);
    assert!(look(&mut watcher, 0.0).is_empty());
    assert!(look(&mut watcher, 1.0).is_empty());
    std::fs::rename(at("a.dng.part"), at("a.dng")).unwrap_or_default();
    assert!(look(&mut watcher, 2.0).is_empty());
    assert_eq!(look(&mut watcher, 3.0), vec![at("a.dng")]);
    assert!(is_untouched(&at("a.dng")));
}

fn is_untouched(path: &Path) -> bool {
    std::fs::read(path).is_ok_and(|bytes| bytes == b"half")
}
