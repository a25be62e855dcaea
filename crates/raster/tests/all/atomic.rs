//! A file of the final name is whole, or is what it was.

use std::fs;
use std::io::{self, Write};

use nightloom_raster::atomic::write_whole;

fn names(folder: &std::path::Path) -> Vec<String> {
    let mut names: Vec<_> = fs::read_dir(folder)
        .unwrap()
        .map(|e| e.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    names
}

#[test]
fn a_whole_file_takes_the_place_of_the_old_one() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("result");
    for text in ["first", "second"] {
        write_whole(&path, |f| f.write_all(text.as_bytes())).unwrap();
        assert_eq!(fs::read_to_string(&path).unwrap(), text);
    }
    assert_eq!(names(folder.path()), ["result"]);
}

#[test]
fn a_failure_in_the_middle_leaves_the_old_file_and_nothing_else() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("result");
    fs::write(&path, "old").unwrap();
    // What the system says of a full disk, after some of the file is out.
    let error = write_whole(&path, |f| {
        f.write_all(&vec![7; 3 << 20])?;
        f.flush()?;
        Err(io::Error::from(io::ErrorKind::StorageFull))
    });
    assert_eq!(error.unwrap_err().kind(), io::ErrorKind::StorageFull);
    assert_eq!(fs::read_to_string(&path).unwrap(), "old");
    assert_eq!(names(folder.path()), ["result"]);
}

#[test]
fn a_panic_in_the_middle_leaves_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("result");
    let outcome = std::panic::catch_unwind(|| {
        let _ = write_whole(&path, |_| panic!("in the middle"));
    });
    assert!(outcome.is_err());
    assert!(names(folder.path()).is_empty());
}

#[test]
fn a_missing_or_unwritable_folder_is_an_error() {
    let folder = tempfile::tempdir().unwrap();
    let missing = folder.path().join("none").join("result");
    assert_eq!(
        write_whole(&missing, |_| Ok(())).unwrap_err().kind(),
        io::ErrorKind::NotFound
    );
    assert!(write_whole(std::path::Path::new("/"), |_| Ok(())).is_err());
    // A file system that no one can write to, not even an administrator.
    let unwritable = std::path::Path::new("/proc/nightloom-test");
    if std::path::Path::new("/proc/self").exists() {
        assert!(write_whole(unwritable, |_| Ok(())).is_err());
    }
}

/// A folder stands where the file should: the rename fails, the hidden file goes.
#[test]
fn a_rename_that_fails_leaves_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("taken");
    fs::create_dir(&path).unwrap();
    assert!(write_whole(&path, |f| f.write_all(b"x")).is_err());
    assert_eq!(names(folder.path()), ["taken"]);
}

#[test]
fn many_writers_of_one_name_leave_one_whole_file() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("result");
    std::thread::scope(|scope| {
        for n in 0..8_u8 {
            let path = &path;
            scope.spawn(move || write_whole(path, |f| f.write_all(&vec![n; 100_000])).unwrap());
        }
    });
    let bytes = fs::read(&path).unwrap();
    assert_eq!(bytes.len(), 100_000);
    assert!(
        bytes.iter().all(|b| *b == bytes[0]),
        "one writer's bytes, not a mixture"
    );
    assert_eq!(names(folder.path()), ["result"]);
}
