//! Files that appear whole or not at all.

use std::ffi::OsString;
use std::fs::{self, File, OpenOptions};
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};

/// Bytes gathered before each write to the file.
const BUFFER_BYTES: usize = 1 << 20;

/// Tells apart the temporary files of one process.
static SERIAL: AtomicU64 = AtomicU64::new(0);

/// Writes a file so that `path` holds either what it held before or everything `write` wrote.
///
/// The bytes go to a hidden file beside `path`, are flushed and synced to the disk, and only then
/// renamed into place. When anything fails (an error out of `write`, a full disk, a panic) the
/// hidden file is removed and `path` is as it was. A process that is killed outright may leave the
/// hidden file behind.
///
/// # Errors
/// Whatever `write` returns, or what the file system says to creating, writing, syncing or renaming.
pub fn write_whole(
    path: &Path,
    write: impl FnOnce(&mut BufWriter<File>) -> io::Result<()>,
) -> io::Result<()> {
    written(path, write, true)
}

/// The same without waiting for the disk: for files whose content is checked before it is believed, since a system that
/// goes down may leave the name without all of the bytes.
///
/// # Errors
/// As [`write_whole`].
pub fn write_checked(
    path: &Path,
    write: impl FnOnce(&mut BufWriter<File>) -> io::Result<()>,
) -> io::Result<()> {
    written(path, write, false)
}

fn written(
    path: &Path,
    write: impl FnOnce(&mut BufWriter<File>) -> io::Result<()>,
    to_the_disk: bool,
) -> io::Result<()> {
    let hidden = Hidden::beside(path)?;
    let file = OpenOptions::new()
        .write(true)
        .read(true)
        .create_new(true)
        .open(&hidden.path)?;
    let hidden = hidden.now_exists();
    let mut buffered = BufWriter::with_capacity(BUFFER_BYTES, file);
    write(&mut buffered)?;
    buffered.flush()?;
    let file = buffered.into_inner().map_err(io::IntoInnerError::into_error)?;
    if to_the_disk {
        file.sync_all()?;
    }
    drop(file);
    fs::rename(&hidden.path, path)?;
    hidden.moved();
    if to_the_disk {
        sync_folder(path);
    }
    Ok(())
}

/// The temporary file: gone when this is dropped, unless it was moved into place.
struct Hidden {
    path: PathBuf,
    exists: bool,
}

impl Hidden {
    fn beside(path: &Path) -> io::Result<Self> {
        let name = path.file_name().ok_or_else(|| {
            io::Error::new(
                io::ErrorKind::InvalidInput,
                format!("{} names no file", path.display()),
            )
        })?;
        let serial = SERIAL.fetch_add(1, Ordering::Relaxed);
        let mut hidden = OsString::from(".");
        hidden.push(name);
        hidden.push(format!("-{}-{serial}.part", std::process::id()));
        Ok(Self {
            path: path.with_file_name(hidden),
            exists: false,
        })
    }
    fn now_exists(mut self) -> Self {
        self.exists = true;
        self
    }
    fn moved(mut self) {
        self.exists = false;
    }
}

impl Drop for Hidden {
    fn drop(&mut self) {
        if self.exists {
            // Nothing better can be done when even removal fails; the name marks it as left over.
            let _ = fs::remove_file(&self.path);
        }
    }
}

/// Makes the new name itself durable. Some file systems refuse to sync a folder; the contents are
/// safe all the same, so that is no failure.
fn sync_folder(path: &Path) {
    let folder = match path.parent() {
        Some(p) if !p.as_os_str().is_empty() => p,
        _ => Path::new("."),
    };
    if let Ok(folder) = File::open(folder) {
        let _ = folder.sync_all();
    }
}
