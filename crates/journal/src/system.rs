//! What this crate asks of the operating system.

use std::io;
use std::path::Path;

/// What tells that a file is the one it was, without reading it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct FileTimes {
    pub(crate) bytes: u64,
    pub(crate) modified_ns: i128,
    /// When anything of it was changed, its name and rights too.
    pub(crate) changed_ns: i128,
    /// Its number on the disk.
    pub(crate) inode: u64,
}

/// Of a file.
#[cfg(unix)]
pub(crate) fn file_times(path: &Path) -> io::Result<FileTimes> {
    use std::os::unix::fs::MetadataExt;
    let m = std::fs::metadata(path)?;
    let ns = |s: i64, n: i64| i128::from(s) * 1_000_000_000 + i128::from(n);
    Ok(FileTimes {
        bytes: m.len(),
        modified_ns: ns(m.mtime(), m.mtime_nsec()),
        changed_ns: ns(m.ctime(), m.ctime_nsec()),
        inode: m.ino(),
    })
}

/// Elsewhere size and time of the last writing must do: a file whose bytes were changed and its time set back passes for
/// the one it was.
#[cfg(not(unix))]
pub(crate) fn file_times(path: &Path) -> io::Result<FileTimes> {
    let m = std::fs::metadata(path)?;
    let modified = m.modified()?.duration_since(std::time::UNIX_EPOCH);
    let modified_ns = modified.unwrap_or_default().as_nanos() as i128;
    Ok(FileTimes {
        bytes: m.len(),
        modified_ns,
        changed_ns: modified_ns,
        inode: 0,
    })
}
