//! `nightloom new`.

use nightloom_pipeline::{NewOptions, NewReport, new_outing};

use crate::cli::NewArgs;
use crate::door::Door;
use crate::{Trouble, out};

pub(crate) fn run(args: &NewArgs, door: &Door) -> Result<serde_json::Value, Trouble> {
    let report = new_outing(&args.folder, &NewOptions { force: args.force }, door);
    door.end_of_job();
    let report = report?;
    tell(&report, args.common.json);
    Ok(serde_json::to_value(&report).unwrap_or_default())
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
