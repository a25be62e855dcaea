//! The field sheet, for a phone without network and for paper.

mod digest;
mod html;
mod pdf;
mod words;

pub use html::page;
pub use pdf::{Made, document};

/// Paper for the PDF.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Paper {
    /// 148 × 210 mm.
    #[default]
    A5,
    /// 210 × 297 mm.
    A4,
}
