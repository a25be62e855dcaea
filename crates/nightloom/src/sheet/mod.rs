//! `nightloom sheet`: the field sheet, for a phone without network and for paper.

mod content;
mod digest;
mod fold;
mod html;
mod ladders;
mod moments;
mod pdf;
mod pole_help;
mod pole_table;
mod words;
mod zone;

use std::path::{Path, PathBuf};

use clap::{Args, ValueEnum};
use serde_json::{Value, json};

use crate::charts::write_bytes;
use crate::shots::{ShotsArgs, no, plan};
use crate::{Trouble, out};
use content::Content;
pub(crate) use content::detail;

/// The page's name when none is given.
const NAME: &str = "field-sheet.html";

/// `nightloom sheet`.
#[derive(Args, Debug)]
pub(crate) struct SheetArgs {
    #[command(flatten)]
    pub(crate) shots: ShotsArgs,
    /// Where to write the page; field-sheet.html in the outing's folder when neither this nor --pdf is given.
    #[arg(long, value_name = "FILE.html", value_parser = page_name)]
    out: Option<PathBuf>,
    /// Write the sheet for paper too, as a PDF.
    #[arg(long, value_name = "FILE.pdf", value_parser = pdf_name)]
    pdf: Option<PathBuf>,
    /// The PDF's paper.
    #[arg(long, value_enum, default_value_t)]
    paper: Paper,
}

/// Paper for the PDF.
#[derive(ValueEnum, Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) enum Paper {
    /// 148 × 210 mm.
    #[default]
    A5,
    /// 210 × 297 mm.
    A4,
}

fn page_name(text: &str) -> Result<PathBuf, String> {
    named(text, &["html", "htm"])
}

fn pdf_name(text: &str) -> Result<PathBuf, String> {
    named(text, &["pdf"])
}

/// A frame can never be written over, whatever is typed.
fn named(text: &str, endings: &[&str]) -> Result<PathBuf, String> {
    let path = PathBuf::from(text);
    let ending = path.extension().and_then(|e| e.to_str()).map(str::to_lowercase);
    match ending {
        Some(ending) if endings.contains(&&*ending) => Ok(path),
        _ => Err(format!("expected a file name that ends in .{}", endings[0])),
    }
}

pub(crate) fn run(args: &SheetArgs) -> Result<Value, Trouble> {
    let planned = plan(&args.shots)?;
    let content = Content::of(&planned)?;
    let quiet = args.shots.common.json;
    let mut json = json!({ "site": planned.evening.json(), "sheet": out::value(&content) });
    if let Some(file) = args.page() {
        let page = html::page(&content, planned.list.short_by_min);
        write_bytes(&file, page.as_bytes(), quiet)?;
        json["html"] = json!({ "file": file, "bytes": page.len() });
    }
    if let Some(file) = &args.pdf {
        let made = pdf::document(&content, planned.list.short_by_min, args.paper);
        write_bytes(file, &made.bytes, quiet)?;
        json["pdf"] = json!({ "file": file, "bytes": made.bytes.len(), "pages": made.pages });
    }
    if planned.list.fits {
        return Ok(json);
    }
    let sentence = no(&planned.list);
    Err(Trouble::No { json, sentence })
}

impl SheetArgs {
    /// Where the page goes, if there is to be one.
    fn page(&self) -> Option<PathBuf> {
        match (&self.out, &self.pdf) {
            (Some(file), _) => Some(file.clone()),
            (None, Some(_)) => None,
            (None, None) => Some(
                self.shots
                    .place
                    .folder
                    .as_deref()
                    .unwrap_or(Path::new(""))
                    .join(NAME),
            ),
        }
    }
}
