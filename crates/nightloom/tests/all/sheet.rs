//! The field sheet, made as a person makes it. Its figures are those of `night`, `shots` and `pole`; their own tests
//! hold those.

use std::fs;
use std::path::Path;
use std::process::{Command, Output, Stdio};

use serde_json::Value;

/// Its own tests check it against NIST's vectors.
#[path = "../../../pages/src/sheet/digest.rs"]
mod digest;
#[path = "../../../pages/src/sheet/pdf/widths.rs"]
mod widths;

#[path = "sheet/figures.rs"]
mod figures;
#[path = "sheet/page.rs"]
mod page;
#[path = "sheet/paper.rs"]
mod paper;

const NAME: &str = "Owlstone Ridge under the Northern Cross";
const FIELD: &[&str] = &[
    "--sky-exposure",
    "90s f/2.8 ISO800",
    "--land-exposure",
    "f/4 ISO400",
];

/// A folder with an outing in it, removed at the end.
struct Folder(tempfile::TempDir);

impl Folder {
    fn new(test: &str, name: &str) -> Self {
        let prefix = format!("nightloom-sheet-{test}-");
        let folder = tempfile::Builder::new().prefix(&prefix).tempdir().unwrap();
        let name = toml_edit::Value::from(name);
        let text = format!(
            "[outing]\nname = {name}\nevening = 2024-11-20\nsubject = \"Deneb\"\n[site]\nlatitude_deg = 45.42\nlongitude_deg = 24.10\nelevation_m = 1240.0\nzone = \"Europe/Bucharest\"\n"
        );
        fs::write(folder.path().join("outing.toml"), text).unwrap();
        Self(folder)
    }

    fn path(&self) -> &Path {
        self.0.path()
    }

    fn page(&self) -> String {
        fs::read_to_string(self.path().join("field-sheet.html")).unwrap()
    }
}

fn run(command: &str, folder: &Path, args: &[&[&str]]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_nightloom"))
        .arg(command)
        .arg(folder)
        .args(args.concat())
        .stdin(Stdio::null())
        .output()
        .unwrap()
}

fn said(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

/// The answer in JSON, which must be a yes.
fn json(output: &Output) -> Value {
    assert_eq!(output.status.code(), Some(0), "{}", said(output));
    serde_json::from_slice(&output.stdout).unwrap()
}

/// What stands between the first `open` and the next `close`.
fn between<'a>(text: &'a str, open: &str, close: &str) -> &'a str {
    let from = text.find(open).unwrap_or_else(|| panic!("no {open}")) + open.len();
    let long = text[from..].find(close).unwrap_or_else(|| panic!("no {close}"));
    &text[from..from + long]
}

/// What the page gives its script.
fn data(page: &str) -> Value {
    serde_json::from_str(between(
        page,
        "<script type=\"application/json\" id=\"data\">",
        "</script>",
    ))
    .unwrap()
}

fn ms(time: &Value) -> i64 {
    let at: jiff::Timestamp = time.as_str().unwrap().parse().unwrap();
    at.as_millisecond()
}
