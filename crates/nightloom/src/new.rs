//! `nightloom new`.

use std::path::PathBuf;

use clap::Args;
use nightloom_pipeline::{NewOptions, NewReport, new_outing};
use serde_json::Value;

use crate::build::meant;
use crate::context::Context;
use crate::failure::Failure;
use crate::out;

/// `nightloom new`.
#[derive(Args, Debug)]
pub(crate) struct NewArgs {
    /// The folder with the night's frames.
    folder: PathBuf,
    /// Write although there is an outing.toml; the old one is kept as a copy.
    #[arg(long)]
    force: bool,
    /// Take the folder although it looks like no single night's: a disk, a home, thousands of pictures.
    #[arg(long)]
    yes: bool,
}

pub(crate) fn run(args: &NewArgs, context: &Context) -> Result<Value, Failure> {
    meant(&args.folder, args.yes, context)?;
    let report = new_outing(&args.folder, &NewOptions { force: args.force }, &*context.door);
    context.door.end_of_job();
    let report = report?;
    tell(&report, context.json);
    Ok(out::value(&report))
}

pub(crate) fn tell(report: &NewReport, json: bool) {
    let say = |line: &str| out::result(line, json);
    say(&format!("Wrote {}", report.file.display()));
    if let Some(old) = &report.old {
        say(&format!("The old one is kept as {}", old.display()));
    }
    let roles: Vec<String> = report
        .roles
        .iter()
        .map(|(role, n)| format!("{n} {role}"))
        .collect();
    if !roles.is_empty() {
        say(&format!("Frames: {}", roles.join(", ")));
    }
    if !report.filled.is_empty() {
        say(&format!(
            "Filled in from the frames: {}",
            report.filled.join(", ")
        ));
    }
    for (name, why) in &report.unreadable {
        say(&format!("Not readable: {name}: {why}"));
    }
    for note in &report.notes {
        say(note);
    }
}
