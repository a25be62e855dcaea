//! Files that may be read: regular ones, of a bounded size.

use std::fs::File;
use std::io::{self, Read};
use std::path::Path;

/// The most that a file of text may have, bytes: far above any settings, strokes or skyline.
pub const MOST_TEXT_BYTES: u64 = 16 << 20;

/// Opens a file for reading if it is a regular one. A pipe would be waited for and a device would never end.
///
/// # Errors
/// What the file system says; [`io::ErrorKind::InvalidInput`] for what is no regular file.
pub fn open_regular(path: &Path) -> io::Result<File> {
    let other = || io::Error::new(io::ErrorKind::InvalidInput, "it is not a regular file");
    // Asked before it is opened: opening a pipe already waits.
    if !std::fs::metadata(path)?.is_file() {
        return Err(other());
    }
    let file = File::open(path)?;
    if !file.metadata()?.is_file() {
        return Err(other());
    }
    Ok(file)
}

/// Reads a regular file whole, if it has at most `most` bytes.
///
/// # Errors
/// As [`open_regular`]; [`io::ErrorKind::FileTooLarge`] for one that has more.
pub fn read_regular(path: &Path, most: u64) -> io::Result<Vec<u8>> {
    let file = open_regular(path)?;
    let length = file.metadata()?.len();
    let too_large = || {
        let what = format!("it has {length} bytes and at most {most} were expected");
        io::Error::new(io::ErrorKind::FileTooLarge, what)
    };
    if length > most {
        return Err(too_large());
    }
    let mut bytes = Vec::new();
    bytes.try_reserve_exact(length as usize)?;
    // One byte more tells of a file that grows.
    file.take(most.saturating_add(1)).read_to_end(&mut bytes)?;
    if bytes.len() as u64 > most {
        return Err(too_large());
    }
    Ok(bytes)
}

/// Reads a regular file of UTF-8 text, of at most [`MOST_TEXT_BYTES`].
///
/// # Errors
/// As [`read_regular`]; [`io::ErrorKind::InvalidData`] for what is no UTF-8.
pub fn read_text(path: &Path) -> io::Result<String> {
    String::from_utf8(read_regular(path, MOST_TEXT_BYTES)?)
        .map_err(|_| io::Error::new(io::ErrorKind::InvalidData, "it is not text in UTF-8"))
}
