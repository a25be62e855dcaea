//! `nightloom build`.

use std::io::IsTerminal;
use std::path::{Path, PathBuf};

use clap::Args;

use nightloom_outing::{
    FolderError, OUTING_TOML, World, check_frame_names, check_likely, discover, read_settings,
};
use nightloom_pipeline::{BuildError, BuildReport, build, moved_words};
use serde_json::Value;

use crate::context::Context;
use crate::door::Door;
use crate::failure::Failure;
use crate::out;
use crate::profile::{Profiled, may_hold};

/// `nightloom build`.
#[derive(Args, Debug)]
pub(crate) struct BuildArgs {
    /// The folder with the night's frames and, if there is one, outing.toml.
    folder: PathBuf,
    /// Take the folder although it looks like no single night's: a disk, a home, thousands of pictures.
    #[arg(long)]
    yes: bool,
    /// Write what each step cost (time, processor time, bytes, memory), as JSON.
    #[arg(long, value_name = "FILE")]
    profile: Option<PathBuf>,
}

pub(crate) fn run(args: &BuildArgs, context: &Context) -> Result<Value, Failure> {
    meant(&args.folder, args.yes, context)?;
    let report = match &args.profile {
        Some(file) => with_profile(&args.folder, file, context)?,
        None => make(&args.folder, &context.door)?,
    };
    tell(&report, context.json);
    Ok(out::value(&report))
}

/// Asks before a folder is taken that is hardly one night's; where nobody can be asked, that is an error.
pub(crate) fn meant(folder: &Path, yes: bool, context: &Context) -> Result<(), Failure> {
    let Err(unlikely) = (if yes { Ok(()) } else { check_likely(folder) }) else {
        return Ok(());
    };
    let (asked, answered) = (std::io::stderr(), std::io::stdin());
    if context.json || !asked.is_terminal() || !answered.is_terminal() {
        return Err(unlikely.into());
    }
    out::say(&format!(
        "{unlikely}. Take it all the same? Type yes, or anything else to leave it."
    ));
    let mut answer = String::new();
    match answered.read_line(&mut answer) {
        Ok(_) if answer.trim().eq_ignore_ascii_case("yes") => Ok(()),
        _ => Err(unlikely.into()),
    }
}

/// Builds the outing in a folder, with the progress on this program's terminal.
pub(crate) fn make(folder: &Path, door: &Door) -> Result<BuildReport, Failure> {
    let report = made(folder, door);
    door.end_of_job();
    report
}

/// The same, with a profile of it, also of a build that comes to nothing.
fn with_profile(folder: &Path, file: &Path, context: &Context) -> Result<BuildReport, Failure> {
    may_hold(file)?;
    let world = Profiled::new(&*context.door);
    let report = made(folder, &world);
    context.door.end_of_job();
    world.write(file, context.json)?;
    report
}

/// Builds the outing in a folder.
pub(crate) fn made(folder: &Path, world: &dyn World) -> Result<BuildReport, Failure> {
    let found = discover(folder)?;
    let settings = read_settings(folder)?;
    if found.frames.is_empty() {
        return Err(FolderError::NoFrames { path: folder.into() }.into());
    }
    let names = found
        .frames
        .iter()
        .chain(found.left_out.iter().map(|(f, _)| f))
        .map(|f| f.name.as_str());
    check_frame_names(&settings, names, &folder.join(OUTING_TOML).display().to_string())?;
    build(folder, &settings, world).map_err(|error| match error {
        BuildError::NothingToDo { .. } => Failure::said_no(&error),
        _ => error.into(),
    })
}

/// Says what was made, for a person.
pub(crate) fn tell(report: &BuildReport, json: bool) {
    let say = |line: &str| out::result(line, json);
    for (role, used, all) in by_role(report) {
        say(&format!("{role}: {used} of {all} frames used"));
    }
    for frame in report.frames.iter().filter(|f| !f.used) {
        say(&format!("  left out: {}: {}", frame.path, frame.reason));
    }
    if let Some(sky) = &report.sky
        && let Some(rms) = sky.registration_rms_px
    {
        say(&format!(
            "Registration: {rms:.2} px rms; {:.2} % of samples rejected",
            sky.rejected_fraction * 100.0
        ));
    }
    if let Some(instant) = report.seam.instant {
        say(&format!(
            "Sky shown as it stood at {instant}: {}",
            report.seam.instant_reason
        ));
    }
    if report.canvas.crop_px != [0, 0, report.canvas.full_px[0], report.canvas.full_px[1]] {
        let [left, top, right, bottom] = report.canvas.crop_px;
        say(&format!(
            "Cropped: {left}, {top} to {right}, {bottom} of {} × {} px",
            report.canvas.full_px[0], report.canvas.full_px[1]
        ));
    }
    if report.seam.offset_px != [0.0, 0.0] {
        let [x, y] = report.seam.offset_px;
        say(&format!(
            "The sky was moved by {} from where it stood.",
            moved_words(x, y)
        ));
    }
    let outputs = &report.outputs;
    let files = [
        ("Picture", &outputs.picture),
        ("Layers", &outputs.layers),
        ("Preview", &outputs.preview),
        ("Report", &outputs.report),
    ];
    for (what, path) in files {
        if let Some(path) = path {
            say(&format!("{what}: {}", path.display()));
        }
    }
    say(&format!(
        "{:.1} s, at most {:.0} MiB; {} done, {} kept from before",
        report.seconds,
        report.peak_memory_mib,
        match report.steps.done {
            1 => "1 step".to_owned(),
            n => format!("{n} steps"),
        },
        report.steps.kept
    ));
}

fn by_role(report: &BuildReport) -> Vec<(&str, usize, usize)> {
    let mut rows: Vec<(&str, usize, usize)> = Vec::new();
    for frame in &report.frames {
        let at = rows.iter().position(|r| r.0 == frame.role).unwrap_or_else(|| {
            rows.push((&frame.role, 0, 0));
            rows.len() - 1
        });
        rows[at].1 += usize::from(frame.used);
        rows[at].2 += 1;
    }
    rows
}
