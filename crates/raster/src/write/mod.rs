//! Files out. Every writer streams row by row and writes through [`crate::atomic::write_whole`],
//! so that a file of the final name is always a whole one. Same pixels, same bytes.

mod about;
mod exif;
mod fits;
mod jpeg;
mod openraster;
mod png;
mod rows;
mod strips;
mod tiff;
mod xmp;

use std::io;
use std::path::{Path, PathBuf};

pub use about::{About, COMPOSITE_CAPTURE, SOFTWARE, TakenAt, TakenWhere};
pub use fits::{FitsValue, write_fits_f32};
pub use jpeg::{jpeg_bytes, jpeg_bytes_about};
pub use openraster::{CompositeOp, OraImage, OraLayer, write_ora};
pub use png::{png_bytes, png_bytes_about};
pub use rows::{PlaneRows, Rows16, to_u8, to_u16};
pub use tiff::{TiffPage, TiffSettings, TiffShape, write_tiff16, write_tiff16_pages, write_tiff16_rows};

/// Why a file was not written.
#[derive(Debug, thiserror::Error)]
pub enum WriteError {
    /// The file system, or the source of the rows, failed.
    #[error("{} could not be written ({source}). Nothing was left under that name: make room or choose another folder, and run again.", path.display())]
    Io {
        /// The file meant.
        path: PathBuf,
        /// What failed.
        source: io::Error,
    },
    /// The planes do not make a picture of this kind.
    #[error("{} cannot hold this picture: expected {expected}, found {found}.", path.display())]
    Shape {
        /// The file meant.
        path: PathBuf,
        /// What the format needs.
        expected: String,
        /// What was given.
        found: String,
    },
    /// A keyword, name or description cannot be put into this format.
    #[error("{} cannot hold the text {text:?}: {reason}.", path.display())]
    Text {
        /// The file meant.
        path: PathBuf,
        /// The text.
        text: String,
        /// What is wrong with it.
        reason: &'static str,
    },
}

impl WriteError {
    fn io(path: &Path) -> impl FnOnce(io::Error) -> Self + '_ {
        move |source| Self::Io {
            path: path.to_owned(),
            source,
        }
    }
    fn shape(path: &Path, expected: impl Into<String>, found: impl Into<String>) -> Self {
        Self::Shape {
            path: path.to_owned(),
            expected: expected.into(),
            found: found.into(),
        }
    }
    fn text(path: &Path, text: &str, reason: &'static str) -> Self {
        Self::Text {
            path: path.to_owned(),
            text: text.to_owned(),
            reason,
        }
    }
}
