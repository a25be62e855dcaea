//! Which files count as frames.

use nightloom_outing::{FolderError, RESULTS, discover};

use crate::temp::Temp;

fn names(folder: &Temp) -> Vec<String> {
    discover(folder.path())
        .unwrap()
        .frames
        .into_iter()
        .map(|f| f.name)
        .collect()
}

#[test]
fn frames_are_found_at_any_depth_in_name_order() {
    let folder = Temp::new();
    for name in [
        "b.DNG",
        "a.nef",
        "night/sky/1.cr3",
        "notes.txt",
        ".hidden/x.dng",
        ".x.dng",
        "night/flat.fits",
    ] {
        folder.file(name, b"x");
    }
    assert_eq!(
        names(&folder),
        ["a.nef", "b.DNG", "night/flat.fits", "night/sky/1.cr3"]
    );
}

#[test]
fn results_and_truth_are_no_frames() {
    let folder = Temp::new();
    folder.file("a.dng", b"x");
    folder.file("truth.json", b"{}");
    folder.file(&format!("{RESULTS}/picture.tif"), b"x");
    folder.file("truth/truth.json", b"{}");
    folder.file("truth/matte.tif", b"x");
    folder.file(".nightloom/work.tif", b"x");
    assert_eq!(names(&folder), ["a.dng"]);
    // A results folder is known by its marker wherever it was moved to.
    folder.file("old/.nightloom-results", b"");
    folder.file("old/sky.tif", b"x");
    assert_eq!(names(&folder), ["a.dng"]);
}

#[test]
fn a_jpeg_beside_its_raw_is_left_out_with_the_reason() {
    let folder = Temp::new();
    for name in ["a.NEF", "a.jpg", "b.jpg", "sub/a.JPG"] {
        folder.file(name, b"x");
    }
    let found = discover(folder.path()).unwrap();
    let kept: Vec<&str> = found.frames.iter().map(|f| f.name.as_str()).collect();
    assert_eq!(kept, ["a.NEF", "b.jpg", "sub/a.JPG"]);
    assert_eq!(found.left_out.len(), 1);
    assert_eq!(found.left_out[0].0.name, "a.jpg");
    assert!(found.left_out[0].1.contains("raw"));
}

#[test]
fn missing_folders_and_files_are_told_apart() {
    let folder = Temp::new();
    folder.file("a.dng", b"x");
    let missing = discover(&folder.path().join("nowhere")).unwrap_err();
    assert!(matches!(missing, FolderError::Missing { .. }), "{missing}");
    let file = discover(&folder.path().join("a.dng")).unwrap_err();
    assert!(matches!(file, FolderError::NotAFolder { .. }), "{file}");
}
