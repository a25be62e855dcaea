//! The journal survives kills, and a fresh step is one whose outputs are what they were.

use std::fs;
use std::path::PathBuf;

use nightloom_journal::{Journal, JournalError, StepKey};
use nightloom_outing::{WORK, hash_bytes, hash_file};
use nightloom_sky::Instant;

use crate::temp::Temp;

fn now() -> Instant {
    "2026-09-12T22:00:00Z".parse().unwrap()
}

fn log(folder: &Temp) -> PathBuf {
    folder.path().join(WORK).join("journal.jsonl")
}

fn do_step(journal: &mut Journal, n: usize) -> bool {
    let key = StepKey::new("step", 1).settings(&n).finish();
    if journal.fresh("step", key).is_some() {
        return false;
    }
    let name = format!("out{n}");
    fs::write(journal.folder().join(&name), vec![n as u8; 100 + n]).unwrap();
    journal
        .record("step", key, &[&name], serde_json::json!({ "n": n }), now())
        .unwrap();
    true
}

#[test]
fn a_step_done_once_is_fresh_until_something_changes() {
    let folder = Temp::new();
    let mut journal = Journal::open(folder.path(), now()).unwrap();
    assert!(do_step(&mut journal, 1));
    assert!(!do_step(&mut journal, 1));
    drop(journal);
    let mut journal = Journal::open(folder.path(), now()).unwrap();
    assert!(!do_step(&mut journal, 1));
    let key = StepKey::new("step", 1).settings(&1usize).finish();
    let entry = journal.fresh("step", key).unwrap();
    assert_eq!(entry.data["n"], 1);
    assert_eq!(entry.at, now());
    // Same size, other content.
    fs::write(folder.path().join("out1"), [9u8; 101]).unwrap();
    assert!(journal.fresh("step", key).is_none());
    assert!(do_step(&mut journal, 1));
    fs::remove_file(folder.path().join("out1")).unwrap();
    assert!(journal.fresh("step", key).is_none());
}

#[test]
fn keys_tell_apart_what_differs() {
    let a = hash_bytes(b"a");
    let b = hash_bytes(b"b");
    let keys = [
        StepKey::new("s", 1).finish(),
        StepKey::new("s", 2).finish(),
        StepKey::new("t", 1).finish(),
        StepKey::new("s", 1).input("x", a).finish(),
        StepKey::new("s", 1).input("x", b).finish(),
        StepKey::new("s", 1).input("y", a).finish(),
        StepKey::new("s", 1).input("x", a).input("y", b).finish(),
        StepKey::new("s", 1).input("y", b).input("x", a).finish(),
        StepKey::new("s", 1).settings("x").finish(),
    ];
    for (i, k) in keys.iter().enumerate() {
        assert!(keys[i + 1..].iter().all(|other| other != k), "{i}");
    }
}

/// BLAKE3's own test vector for the empty input (BLAKE3 team, test_vectors.json, input_len 0).
#[test]
fn the_content_hash_is_blake3() {
    let empty = "af1349b9f5f9a1a6a0404dea36dcc9499bcb25c9adc112b7cc9a93cae41f3262";
    assert_eq!(hash_bytes(b"").to_string(), empty);
    let folder = Temp::new();
    let path = folder.path().join("f");
    fs::write(&path, vec![7u8; 3_000_001]).unwrap();
    assert_eq!(hash_file(&path).unwrap(), hash_bytes(&vec![7u8; 3_000_001]));
}

/// A kill can cut the file anywhere: at every length the whole lines before count, nothing else
/// is lost, and the steps can be done again.
#[test]
fn torn_at_every_byte_it_goes_on() {
    let folder = Temp::new();
    let mut journal = Journal::open(folder.path(), now()).unwrap();
    (0..3).for_each(|n| assert!(do_step(&mut journal, n)));
    drop(journal);
    let whole = fs::read(log(&folder)).unwrap();
    // Every place near a line's end, and every so often within.
    let ends: Vec<usize> = (0..whole.len()).filter(|&i| whole[i] == b'\n').collect();
    let telling = |n: &usize| n.is_multiple_of(29) || ends.iter().any(|e| e.abs_diff(*n) <= 2);
    for length in (0..=whole.len()).filter(telling) {
        fs::write(log(&folder), &whole[..length]).unwrap();
        let lines = whole[..length].iter().filter(|b| **b == b'\n').count();
        let mut journal = Journal::open(folder.path(), now()).unwrap();
        assert_eq!(journal.entries().count(), lines, "cut at {length}");
        assert!(journal.passed_over() <= 1);
        let redone = (0..3).filter(|&n| do_step(&mut journal, n)).count();
        assert_eq!(redone, 3 - lines, "cut at {length}");
        drop(journal);
        let journal = Journal::open(folder.path(), now()).unwrap();
        assert_eq!(journal.entries().count(), 3, "cut at {length}, on the next run");
    }
}

#[test]
fn damage_in_the_middle_costs_one_step() {
    let folder = Temp::new();
    let mut journal = Journal::open(folder.path(), now()).unwrap();
    (0..3).for_each(|n| assert!(do_step(&mut journal, n)));
    drop(journal);
    let mut bytes = fs::read(log(&folder)).unwrap();
    let second = bytes.iter().position(|b| *b == b'\n').unwrap() + 1;
    bytes[second..second + 20].fill(0xff);
    fs::write(log(&folder), bytes).unwrap();
    let mut journal = Journal::open(folder.path(), now()).unwrap();
    assert_eq!(journal.passed_over(), 1);
    assert_eq!(
        (0..3).filter(|&n| do_step(&mut journal, n)).collect::<Vec<_>>(),
        [1]
    );
}

#[test]
fn one_build_at_a_time() {
    let folder = Temp::new();
    let first = Journal::open(folder.path(), now()).unwrap();
    let second = Journal::open(folder.path(), now());
    match second {
        Err(JournalError::Busy { holder, .. }) => assert_eq!(holder, std::process::id().to_string()),
        other => panic!("{other:?}"),
    }
    drop(first);
    assert!(Journal::open(folder.path(), now()).is_ok());
}

/// A lock file left behind by a killed build holds nobody up.
#[test]
fn a_stale_lock_is_no_lock() {
    let folder = Temp::new();
    fs::create_dir_all(folder.path().join(WORK)).unwrap();
    fs::write(folder.path().join(WORK).join("lock"), "999999").unwrap();
    assert!(Journal::open(folder.path(), now()).is_ok());
}

/// Hashes are remembered by size, times and inode, never across a change.
#[test]
fn a_changed_file_is_hashed_anew() {
    let folder = Temp::new();
    let path = folder.path().join("frame.dng");
    fs::write(&path, b"one").unwrap();
    // Opened "long after" the file was written, so that its hash is kept.
    let later: Instant = "2200-01-01T00:00:00Z".parse().unwrap();
    let journal = Journal::open(folder.path(), later).unwrap();
    let one = journal.hash(&path).unwrap();
    assert_eq!(one, journal.hash(&path).unwrap());
    let kept = fs::read_to_string(folder.path().join(WORK).join("hashes.jsonl")).unwrap();
    assert_eq!(kept.lines().count(), 1);
    std::thread::sleep(std::time::Duration::from_millis(20));
    fs::write(&path, b"two").unwrap();
    assert_eq!(journal.hash(&path).unwrap(), hash_bytes(b"two"));
    assert_ne!(one, hash_bytes(b"two"));
}

#[test]
fn a_folder_without_permission_is_an_error_in_a_sentence() {
    let folder = Temp::new();
    let file = folder.path().join("file");
    fs::write(&file, b"").unwrap();
    let error = Journal::open(&file, now()).unwrap_err().to_string();
    assert!(error.contains("nothing can be written"), "{error}");
}
