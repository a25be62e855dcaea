//! `nightloom sheet`: the field sheet, for a phone without network and for paper.

use std::path::{Path, PathBuf};

use clap::Args;
use nightloom_outing::World;
use nightloom_outing::sheet::{Content, calendar};
use nightloom_pages::sheet::{Paper, document, page};
use serde_json::{Value, json};

use crate::context::Context;
use crate::failure::Failure;
use crate::out;
use crate::shots::{ShotsArgs, plan};
use crate::told::one_of;

/// The page's name when none is given.
const NAME: &str = "field-sheet.html";
/// Paper for the PDF.
const PAPERS: [(&str, &str, Paper); 2] = [
    ("a5", "148 × 210 mm", Paper::A5),
    ("a4", "210 × 297 mm", Paper::A4),
];

/// `nightloom sheet`.
#[derive(Args, Debug)]
pub(crate) struct SheetArgs {
    #[command(flatten)]
    shots: ShotsArgs,
    /// Where to write the page; field-sheet.html in the outing's folder when neither this nor --pdf is given.
    #[arg(long, value_name = "FILE.html", value_parser = page_name)]
    out: Option<PathBuf>,
    /// Write the sheet for paper too, as a PDF.
    #[arg(long, value_name = "FILE.pdf", value_parser = pdf_name)]
    pdf: Option<PathBuf>,
    /// Write the plan as an iCalendar file too.
    #[arg(long, value_name = "FILE.ics", value_parser = calendar_name)]
    ical: Option<PathBuf>,
    /// The PDF's paper.
    #[arg(long, value_parser = one_of(&PAPERS), default_value = "a5")]
    paper: Paper,
}

fn page_name(text: &str) -> Result<PathBuf, String> {
    named(text, &["html", "htm"])
}

fn calendar_name(text: &str) -> Result<PathBuf, String> {
    named(text, &["ics"])
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

pub(crate) fn run(args: &SheetArgs, context: &Context) -> Result<Value, Failure> {
    let planned = plan(&args.shots, context)?;
    let content = Content::of(&planned)?;
    let mut json = json!({ "site": planned.evening.json(), "sheet": out::value(&content) });
    if let Some(file) = args.page() {
        let page = page(&content, planned.list.short_by_min);
        out::write(&file, page.as_bytes(), context.json)?;
        json["html"] = json!({ "file": file, "bytes": page.len() });
    }
    if let Some(file) = &args.pdf {
        let made = document(&content, planned.list.short_by_min, args.paper);
        out::write(file, &made.bytes, context.json)?;
        json["pdf"] = json!({ "file": file, "bytes": made.bytes.len(), "pages": made.pages });
    }
    if let Some(file) = &args.ical {
        let text = calendar(&content, context.door.now());
        out::write(file, text.as_bytes(), context.json)?;
        json["ical"] = json!({ "file": file, "bytes": text.len() });
    }
    if planned.list.fits {
        return Ok(json);
    }
    let sentence = planned.list.no();
    Err(Failure::no(json, sentence))
}

impl SheetArgs {
    /// Where the page goes, if there is to be one.
    fn page(&self) -> Option<PathBuf> {
        match (&self.out, &self.pdf) {
            (Some(file), _) => Some(file.clone()),
            (None, Some(_)) => None,
            (None, None) => Some(
                self.shots
                    .evening
                    .standpoint
                    .place
                    .folder
                    .as_deref()
                    .unwrap_or(Path::new(""))
                    .join(NAME),
            ),
        }
    }
}
