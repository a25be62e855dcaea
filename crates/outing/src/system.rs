//! What this crate asks of the operating system.

use std::path::Path;

/// Whether a folder is where a disk or card begins: on another device than the folder that it lies in.
#[cfg(unix)]
pub(crate) fn is_mount_root(path: &Path) -> bool {
    use std::os::unix::fs::MetadataExt;
    let device = |p: &Path| std::fs::metadata(p).map(|m| m.dev()).ok();
    path.parent().is_some_and(|parent| device(parent) != device(path))
}

/// Whether a folder is where a disk or card begins: elsewhere by its path alone.
#[cfg(not(unix))]
pub(crate) fn is_mount_root(path: &Path) -> bool {
    path.parent().is_none()
}
