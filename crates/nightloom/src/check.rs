//! `nightloom check`.

use std::path::PathBuf;

use clap::Args;
use nightloom_frames::{CheckOptions, FrameCheck, Trends, check_frames, trends};
use serde_json::{Value, json};

use crate::context::Context;
use crate::failure::Failure;
use crate::out;
use crate::place::SpotArgs;
use crate::told::{FocalTold, LensesTold};

/// What is told of place and lens for checks.
#[derive(Args, Debug)]
pub(crate) struct CheckLens {
    #[command(flatten)]
    spot: SpotArgs,
    #[command(flatten)]
    focal: FocalTold,
    #[command(flatten)]
    lenses: LensesTold,
    /// Width of sharp stars with this lens, pixels; without it 2.3 is taken.
    #[arg(long, value_name = "PX")]
    sharp: Option<f64>,
}

impl CheckLens {
    pub(crate) fn options(&self) -> Result<CheckOptions, Failure> {
        Ok(CheckOptions {
            site: self.spot.site()?,
            lens: self.focal.lens()?,
            sharp_px: self.sharp.filter(|s| *s > 0.0),
            lenses: self.lenses.lenses.clone(),
        })
    }
}

/// `nightloom check`.
#[derive(Args, Debug)]
pub(crate) struct CheckArgs {
    /// The frames, in the order they were taken.
    #[arg(required = true)]
    frames: Vec<PathBuf>,
    #[command(flatten)]
    lens: CheckLens,
}

pub(crate) fn run(args: &CheckArgs, context: &Context) -> Result<Value, Failure> {
    let options = args.lens.options()?;
    let checks = check_frames(&args.frames, &options, &*context.door);
    context.door.end_of_job();
    let checks = checks?;
    let course = trends(&checks);
    for check in &checks {
        for line in verdict(check) {
            out::result(&line, context.json);
        }
    }
    for line in course_lines(&course, checks.len()) {
        out::result(&line, context.json);
    }
    let answer = json!({ "frames": checks, "trends": course });
    if checks.iter().all(|c| c.error.is_some()) {
        return Err(Failure::with(answer, "none of the frames could be read"));
    }
    if checks.iter().all(|c| !c.measured) {
        return Err(Failure::no(
            answer,
            "nothing could be said of the stars of any frame",
        ));
    }
    Ok(answer)
}

/// Two or three lines for one frame: the chief cause first, in capitals, to be read at a glance.
pub(crate) fn verdict(check: &FrameCheck) -> Vec<String> {
    if let Some(error) = &check.error {
        return vec![format!("CANNOT READ  {error}")];
    }
    let Some(first) = check.causes.first() else {
        return vec![format!("{}  nothing to say", check.frame)];
    };
    let name = std::path::Path::new(&check.frame)
        .file_name()
        .map_or_else(|| check.frame.clone(), |n| n.to_string_lossy().into_owned());
    let mut lines = vec![
        format!("{}  {name}", first.cause.word().replace('-', " ").to_uppercase()),
        format!("    {}", first.figure),
    ];
    for other in check
        .causes
        .iter()
        .skip(1)
        .filter(|c| c.likelihood >= 0.15)
        .take(2)
    {
        lines.push(format!(
            "    or {} ({:.0} %): {}",
            other.cause.word().replace('-', " "),
            100.0 * other.likelihood,
            other.figure
        ));
    }
    if check.measured {
        let sky = check
            .sky_mag_arcsec2
            .map_or_else(String::new, |m| format!(", sky {m:.2} mag/arcsec²"));
        lines.push(format!(
            "    {} stars, {:.1} px wide, {:.2} times as long as wide{sky}",
            check.stars, check.fwhm_px, check.elongation
        ));
    }
    lines.push(format!("    → {}", check.next));
    lines
}

pub(crate) fn course_lines(course: &Trends, frames: usize) -> Vec<String> {
    let mut lines: Vec<String> = course
        .all()
        .map(|t| format!("  {}{:<7}{}", if t.alarm { "! " } else { "  " }, t.what, t.figure))
        .collect();
    if !lines.is_empty() {
        lines.insert(0, format!("over {frames} frames"));
    }
    lines
}
