//! What goes to standard output, to standard error and into files.

use std::io::{Write, stderr, stdout};
use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};

use nightloom_raster::atomic::write_whole;

use crate::failure::Failure;

/// Whether the answer was given; there is only one.
static ANSWERED: AtomicBool = AtomicBool::new(false);

/// Claims the right to answer; `false` if the answer was given already.
pub(crate) fn claim_answer() -> bool {
    !ANSWERED.swap(true, Ordering::SeqCst)
}

/// One JSON object on standard output. A reader that has gone away is no trouble of ours.
pub(crate) fn json(value: &serde_json::Value) {
    let text = serde_json::to_string_pretty(value).unwrap_or_else(|_| "null".into());
    let _ = writeln!(stdout().lock(), "{text}");
}

/// One JSON object on one line of standard output, at once.
pub(crate) fn json_line(value: &serde_json::Value) {
    let mut to = stdout().lock();
    let _ = writeln!(to, "{value}");
    let _ = to.flush();
}

/// The terminal's bell, on standard error so that standard output stays pure.
pub(crate) fn bell() {
    let _ = write!(stderr().lock(), "\x07");
}

/// An answer as JSON.
pub(crate) fn value(answer: &impl serde::Serialize) -> serde_json::Value {
    serde_json::to_value(answer).unwrap_or_default()
}

/// One line for the person: to standard error, so that standard output stays pure.
pub(crate) fn say(line: &str) {
    let _ = writeln!(stderr().lock(), "{line}");
}

/// A result for the person: to standard output, unless that is kept for JSON.
pub(crate) fn result(line: &str, json: bool) {
    if json {
        say(line);
    } else {
        let _ = writeln!(stdout().lock(), "{line}");
    }
}

/// A line of an answer that is not told under `--json`.
pub(crate) fn line(text: &str) {
    result(text, false);
}

/// Writes one file whole or not at all, and says so.
pub(crate) fn write(file: &Path, bytes: &[u8], json: bool) -> Result<(), Failure> {
    write_whole(file, |out| out.write_all(bytes)).map_err(|e| {
        Failure::said(format!(
            "{} cannot be written ({e}); name a file in a folder that exists and may be written to",
            file.display()
        ))
    })?;
    result(&format!("Wrote {}", file.display()), json);
    Ok(())
}
