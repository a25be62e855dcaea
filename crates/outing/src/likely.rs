//! Whether a folder can be an outing: one night's frames, not a disk, a home or the system.

use std::fs;
use std::path::{Path, PathBuf};

use crate::discover::{MARKERS, RESULTS};
use crate::error::FolderError;
use crate::system;

/// More pictures than one night has.
const MOST_PICTURES: usize = 5000;
/// More folders within each other than a night's frames have.
const MOST_LEVELS: usize = 10;
/// Entries that are looked at before the question is asked anyway.
const MOST_ENTRIES: usize = 100_000;
/// Nothing in these is a photographer's.
const SYSTEM: [&str; 12] = [
    "/bin", "/boot", "/dev", "/etc", "/lib", "/lib32", "/lib64", "/proc", "/sbin", "/sys", "/usr", "/System",
];
/// What is in these may be; they themselves are not.
const HOLDING: [&str; 16] = [
    "/",
    "/home",
    "/Library",
    "/media",
    "/mnt",
    "/opt",
    "/private",
    "/root",
    "/run",
    "/run/media",
    "/srv",
    "/tmp",
    "/Users",
    "/var",
    "/var/tmp",
    "/Volumes",
];
/// Memory shown as a disk, which lies among the system's.
const SHARED_MEMORY: &str = "/dev/shm";

/// Refuses what is hardly one night's folder, before it is walked through: the system's folders, a home, the root of a disk
/// or card, more than 5000 pictures, more than 10 folders within each other.
///
/// # Errors
/// [`FolderError::Unlikely`] with what it is; that a folder is missing is left to who opens it.
pub fn check_likely(folder: &Path) -> Result<(), FolderError> {
    let Ok(path) = fs::canonicalize(folder) else {
        return Ok(());
    };
    match place(&path).or_else(|| count(&path)) {
        None => Ok(()),
        Some(what) => Err(FolderError::Unlikely { path, what }),
    }
}

fn place(path: &Path) -> Option<String> {
    let home = std::env::var_os("HOME").and_then(|h| fs::canonicalize(PathBuf::from(h)).ok());
    let system = SYSTEM.iter().any(|s| path.starts_with(s));
    let memory = path.starts_with(SHARED_MEMORY) && path != Path::new(SHARED_MEMORY);
    let what = if home.is_some_and(|h| h == path) {
        "your home"
    } else if system && !memory || HOLDING.iter().any(|h| path == Path::new(h)) {
        "a folder of the system"
    } else if system::is_mount_root(path) {
        "the root of a disk or card"
    } else {
        return None;
    };
    Some(what.to_owned())
}

/// Counts as the search for frames does, and stops at the first that is too much.
fn count(folder: &Path) -> Option<String> {
    let (mut pictures, mut entries) = (0, 0);
    let mut open = vec![(folder.to_path_buf(), 0)];
    while let Some((next, level)) = open.pop() {
        if level > MOST_LEVELS {
            return Some(format!(
                "a folder with more than {MOST_LEVELS} folders within each other"
            ));
        }
        for entry in fs::read_dir(&next).into_iter().flatten().flatten() {
            entries += 1;
            let name = entry.file_name();
            let hidden = name.to_string_lossy().starts_with('.') || (level == 0 && name == RESULTS);
            let path = entry.path();
            let marked = || MARKERS.iter().any(|m| path.join(m).exists());
            match entry.file_type() {
                Ok(kind) if kind.is_dir() && (hidden || marked()) => {}
                Ok(kind) if kind.is_dir() => open.push((path, level + 1)),
                Ok(_) if !hidden => pictures += usize::from(nightloom_raster::is_frame_path(&path)),
                _ => {}
            }
            if pictures > MOST_PICTURES {
                return Some(format!("a folder with more than {MOST_PICTURES} pictures"));
            }
            if entries > MOST_ENTRIES {
                return Some(format!("a folder with more than {MOST_ENTRIES} files"));
            }
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    fn what(path: &str) -> String {
        match check_likely(Path::new(path)) {
            Err(FolderError::Unlikely { what, .. }) => what,
            _ => String::new(),
        }
    }

    #[test]
    fn the_system_and_roots_are_not_walked_through() {
        for path in ["/", "/usr", "/usr/share", "/etc", "/tmp", "/home", "/proc/self"] {
            assert!(!what(path).is_empty(), "{path}");
        }
    }

    #[test]
    fn one_night_passes_and_a_collection_does_not() {
        let temp = tempfile::tempdir().unwrap();
        let folder = temp.path().to_owned();
        let deep = (0..MOST_LEVELS).fold(folder.join("deep"), |f, n| f.join(n.to_string()));
        fs::create_dir_all(folder.join("many")).unwrap();
        for n in 0..MOST_PICTURES {
            fs::write(folder.join(format!("many/{n}.dng")), b"").unwrap();
        }
        assert!(check_likely(&folder).is_ok());
        fs::write(folder.join("many/one.more.nef"), b"").unwrap();
        assert!(what(&folder.display().to_string()).contains("5000 pictures"));
        fs::remove_dir_all(folder.join("many")).unwrap();
        fs::create_dir_all(&deep).unwrap();
        assert!(what(&folder.display().to_string()).contains("within each other"));
    }
}
