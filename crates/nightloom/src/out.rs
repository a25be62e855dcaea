//! What goes to standard output, to standard error and into files.

use std::borrow::Cow;
use std::io::{Write, stderr, stdout};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};

use nightloom_chart::{ChartFormat, chart_file};
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

/// The answers for several subjects as one: the first's own, with the others' under `others`.
pub(crate) fn of_each(answers: impl IntoIterator<Item = serde_json::Value>) -> serde_json::Value {
    let mut answers = answers.into_iter();
    let mut first = answers.next().unwrap_or_default();
    let others: Vec<_> = answers.collect();
    if !others.is_empty() {
        first["others"] = others.into();
    }
    first
}

/// Text for a terminal: what would command it, or turn the order of letters, is shown by its code. Names of files and
/// texts in them may hold anything.
pub(crate) fn plain(text: &str) -> Cow<'_, str> {
    let commands = |c: char| {
        c.is_control() && c != '\n' && c != '\t'
            || matches!(c, '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
    };
    if !text.contains(commands) {
        return text.into();
    }
    let shown = |c: char| match commands(c) {
        true => c.escape_default().collect::<String>(),
        false => c.to_string(),
    };
    text.chars().map(shown).collect::<String>().into()
}

/// One line for the person: to standard error, so that standard output stays pure.
pub(crate) fn say(line: &str) {
    let _ = writeln!(stderr().lock(), "{}", plain(line));
}

/// A result for the person: to standard output, unless that is kept for JSON.
pub(crate) fn result(line: &str, json: bool) {
    styled(&plain(line), json);
}

/// A result with the terminal's own commands in it, for colours; what else is in it must be [`plain`].
pub(crate) fn styled(line: &str, json: bool) {
    let _ = match json {
        true => writeln!(stderr().lock(), "{line}"),
        false => writeln!(stdout().lock(), "{line}"),
    };
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

/// The name of a chart's file. A frame can never be written over, whatever is typed.
pub(crate) fn chart_name(text: &str) -> Result<PathBuf, String> {
    let path = PathBuf::from(text);
    match ChartFormat::of(&path) {
        Some(_) => Ok(path),
        None => Err("expected a file name that ends in .svg, .png or .pdf".into()),
    }
}

/// Writes a chart in the format that its file's name ends in.
pub(crate) fn chart(file: &Path, svg: &str, json: bool) -> Result<(), Failure> {
    let made = chart_file(svg, ChartFormat::of(file).unwrap_or(ChartFormat::Svg))?;
    write(file, &made.bytes, json)?;
    if !made.without_letter.is_empty() {
        let letters: Vec<String> = made.without_letter.iter().map(char::to_string).collect();
        say(&format!(
            "nightloom: {} has a box where the program's own letters lack {}; write it as .svg to see them",
            file.display(),
            letters.join(" ")
        ));
    }
    Ok(())
}
