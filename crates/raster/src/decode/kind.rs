//! What kind of file it is, by its first bytes.

use std::path::Path;

/// The kinds that are taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum FileKind {
    /// Camera raw of any maker, DNG among them.
    Raw,
    /// A TIFF that may be a raw (the same magic): the directories decide.
    TiffOrRaw,
    Png,
    Jpeg,
    Fits,
}

pub(super) const RAW: [&str; 22] = [
    "3fr", "arw", "cr2", "cr3", "crw", "dcr", "dng", "erf", "iiq", "kdc", "mef", "mos", "mrw", "nef", "nrw",
    "orf", "pef", "raf", "rw2", "rwl", "sr2", "srw",
];
pub(super) const OTHER: [&str; 8] = ["fit", "fits", "fts", "jpeg", "jpg", "png", "tif", "tiff"];

/// Whether the name looks like a photograph's: camera raw, TIFF, PNG, JPEG or FITS. Case does not
/// matter. Only a first sieve over a folder: the content decides when the file is opened.
pub fn is_frame_path(path: &Path) -> bool {
    has_extension(path, &RAW) || has_extension(path, &OTHER)
}

/// Whether the name is that of a camera raw.
pub(crate) fn is_raw_name(path: &Path) -> bool {
    has_extension(path, &RAW)
}

fn has_extension(path: &Path, list: &[&str]) -> bool {
    let extension = path.extension().and_then(|e| e.to_str());
    extension.is_some_and(|e| list.iter().any(|known| e.eq_ignore_ascii_case(known)))
}

/// The kind by the first bytes (32 are enough).
pub(crate) fn kind(head: &[u8]) -> Option<FileKind> {
    let starts = |magic: &[u8]| head.starts_with(magic);
    let raw: [&[u8]; 6] = [b"FUJIFILMCCD-RAW", b"\0MRM", b"IIRO", b"IIRS", b"MMOR", b"IIU\0"];
    let boxed = head.get(4..12) == Some(b"ftypcrx ") || head.get(6..14) == Some(b"HEAPCCDR");
    if starts(b"\x89PNG\r\n\x1a\n") {
        Some(FileKind::Png)
    } else if starts(b"\xff\xd8\xff") {
        Some(FileKind::Jpeg)
    } else if starts(b"SIMPLE  =") {
        Some(FileKind::Fits)
    } else if boxed || raw.iter().any(|magic| starts(magic)) {
        Some(FileKind::Raw)
    } else if starts(b"II*\0") || starts(b"MM\0*") || starts(b"II+\0") || starts(b"MM\0+") {
        Some(FileKind::TiffOrRaw)
    } else {
        None
    }
}
