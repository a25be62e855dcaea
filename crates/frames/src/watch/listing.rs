//! What a folder holds.

use std::path::{Path, PathBuf};
use std::time::{Duration, UNIX_EPOCH};

use nightloom_outing::{FolderError, discover};

/// One file of a listing.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Listed {
    /// Where it is.
    pub path: PathBuf,
    /// Its size, bytes.
    pub bytes: u64,
    /// When it was last written, from 1970 on, where the system tells.
    pub modified: Option<Duration>,
}

/// The frames under `folder` now, as [`nightloom_outing::discover()`] finds them. Opens none of them.
///
/// # Errors
/// If the folder is missing, is no folder, or may not be read.
pub fn list(folder: &Path) -> Result<Vec<Listed>, FolderError> {
    let found = discover(folder)?;
    Ok(found
        .frames
        .into_iter()
        .filter_map(|frame| {
            // A file may vanish between the two looks: it is then simply not there.
            let about = std::fs::metadata(&frame.path).ok()?;
            Some(Listed {
                path: frame.path,
                bytes: about.len(),
                modified: about
                    .modified()
                    .ok()
                    .and_then(|at| at.duration_since(UNIX_EPOCH).ok()),
            })
        })
        .collect())
}
