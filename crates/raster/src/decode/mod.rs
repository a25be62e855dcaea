//! Files into frames: camera raw, TIFF, PNG, JPEG and FITS. The content decides what a file is,
//! not its name.
//!
//! Nothing here protects against a decoder that dies: [`crate::Wall`] does.

mod camera_colour;
mod coded;
mod error;
mod exif;
mod fits_header;
mod formats;
mod from_fits;
mod from_jpeg;
mod from_png;
mod from_tiff;
mod kind;
mod layout;
mod limits;
mod masked;
mod opcodes;
mod orient;
mod profile;
mod raw;
mod raw_meta;

pub(crate) use coded::{Channels, Coded, Header, Samples};
pub use error::DecodeError;
pub(crate) use error::name;
pub use formats::{Evidence, INPUT_FORMATS, InputFormat};
pub use kind::is_frame_path;
pub(crate) use layout::check_size;
pub use limits::{DecodeOptions, FitsRows, Limits};

use crate::{Frame, FrameMeta};
use kind::FileKind;
use layout::Layout;
use std::io::Read;
use std::path::Path;

/// Decodes a file in this process, with default options.
///
/// For files one trusts (and for the decoding process itself): a damaged raw can bring the process
/// down. The program uses [`crate::Wall`].
///
/// # Errors
/// Any [`DecodeError`] but those about the wall.
pub fn decode_here(path: &Path, limits: &Limits) -> Result<Frame, DecodeError> {
    decode_here_with(path, &DecodeOptions::default(), limits)
}

/// As [`decode_here`], told what the file does not say.
///
/// # Errors
/// As [`decode_here`].
pub fn decode_here_with(path: &Path, options: &DecodeOptions, limits: &Limits) -> Result<Frame, DecodeError> {
    Ok(decode_coded(path, options, limits)?.into_frame())
}

/// Reads what a file says of the exposure, without decoding pixels. Fast; needs no pixels in the
/// file. In this process: see [`decode_here`] for what that means.
///
/// # Errors
/// [`DecodeError::Unreadable`], [`DecodeError::Empty`], [`DecodeError::UnknownKind`],
/// [`DecodeError::Damaged`].
pub fn read_meta(path: &Path) -> Result<FrameMeta, DecodeError> {
    meta_by(path, raw::meta)
}

/// As [`read_meta`], with nothing but what plain EXIF says of camera raws.
pub(crate) fn read_plain_meta(path: &Path) -> Result<FrameMeta, DecodeError> {
    meta_by(path, raw::plain_meta)
}

fn meta_by(
    path: &Path,
    raw: impl Fn(&Path) -> Result<FrameMeta, DecodeError>,
) -> Result<FrameMeta, DecodeError> {
    match sniff(path)? {
        FileKind::Raw => raw(path),
        FileKind::TiffOrRaw => {
            let (source, layout) = open_tiff(path)?;
            if is_raw(path, &layout) {
                raw(path)
            } else {
                Ok(from_tiff::meta(source.buf()))
            }
        }
        FileKind::Png => from_png::meta(path, &Limits::default()),
        FileKind::Jpeg => from_jpeg::meta(path),
        FileKind::Fits => from_fits::meta(path),
    }
}

pub(crate) fn decode_coded(
    path: &Path,
    options: &DecodeOptions,
    limits: &Limits,
) -> Result<Coded, DecodeError> {
    let mut coded = decode_as_told(path, options, limits)?;
    let Header {
        meta, orientation, ..
    } = &mut coded.header;
    let asked = options.orientation.filter(|o| (1..=8).contains(o));
    if let (Some(asked), Some(own)) = (asked, &mut meta.orientation) {
        (*orientation, *own) = (asked, asked);
    }
    Ok(coded)
}

fn decode_as_told(path: &Path, options: &DecodeOptions, limits: &Limits) -> Result<Coded, DecodeError> {
    match sniff(path)? {
        FileKind::Raw => raw::decode(path, limits),
        FileKind::TiffOrRaw => {
            let (source, layout) = open_tiff(path)?;
            if is_raw(path, &layout) {
                raw::decode(path, limits)
            } else {
                from_tiff::decode(path, source.buf(), &layout, limits)
            }
        }
        FileKind::Png => from_png::decode(path, limits),
        FileKind::Jpeg => from_jpeg::decode(path, limits),
        FileKind::Fits => from_fits::decode(path, options, limits),
    }
}

fn open_tiff(path: &Path) -> Result<(rawler::rawsource::RawSource, Layout), DecodeError> {
    let source = raw::open(path)?;
    let layout = Layout::read(source.buf())
        .ok_or_else(|| DecodeError::damaged(path, "its TIFF header is cut short"))?;
    Ok((source, layout))
}

/// Raws and TIFFs share their first bytes: the directories decide, and the name where they do not.
fn is_raw(path: &Path, layout: &Layout) -> bool {
    layout.is_raw() || kind::is_raw_name(path)
}

/// What kind of file it is.
fn sniff(path: &Path) -> Result<FileKind, DecodeError> {
    let unreadable = |e: std::io::Error| DecodeError::io(path, e);
    let file = crate::open_regular(path).map_err(unreadable)?;
    let meta = file.metadata().map_err(unreadable)?;
    if meta.len() == 0 {
        return Err(DecodeError::Empty { file: name(path) });
    }
    let mut head = Vec::new();
    file.take(32).read_to_end(&mut head).map_err(unreadable)?;
    match kind::kind(&head) {
        Some(kind) => Ok(kind),
        None => Err(DecodeError::UnknownKind {
            file: name(path),
            found: show(&head),
        }),
    }
}

fn show(head: &[u8]) -> String {
    let head = &head[..head.len().min(8)];
    if head.iter().all(|b| b.is_ascii_graphic() || *b == b' ') {
        format!("“{}”", String::from_utf8_lossy(head))
    } else {
        head.iter()
            .map(|b| format!("{b:02x}"))
            .collect::<Vec<_>>()
            .join(" ")
    }
}
