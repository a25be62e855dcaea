//! `nightloom stars`.

use std::path::PathBuf;

use clap::Args;
use nightloom_chart::{Look, frame_map};
use nightloom_frames::{
    FrameTold, StarsReport, StreakKind, frame_picture, frame_stars, frame_stars_in_green,
};
use serde_json::Value;

use crate::context::Context;
use crate::failure::Failure;
use crate::out;

/// `nightloom stars`.
#[derive(Args, Debug)]
pub(crate) struct StarsArgs {
    /// The frame.
    frame: PathBuf,
    /// Measure in the green pixels of a raw frame alone, which is quicker.
    #[arg(long)]
    fast: bool,
    /// Write a map of what was measured, as SVG, PNG or PDF by the ending of the name: the stars' shapes, the sky's brightness, land.
    #[arg(long, value_name = "FILE", value_parser = crate::out::chart_name)]
    map: Option<PathBuf>,
    /// The map in red on black instead of black on white.
    #[arg(long, requires = "map")]
    red: bool,
}

pub(crate) fn run(args: &StarsArgs, context: &Context) -> Result<Value, Failure> {
    let report = if args.fast {
        frame_stars_in_green(&args.frame, &*context.door)
    } else {
        frame_stars(&args.frame, &*context.door)
    };
    context.door.end_of_job();
    let report = report?;
    if let Some(file) = &args.map {
        let picture = frame_picture(&args.frame, &FrameTold::default(), &*context.door)?;
        out::chart(file, &frame_map(&picture, Look::red(args.red)), context.json)?;
    }
    tell(&report, context.json);
    Ok(out::value(&report))
}

fn tell(report: &StarsReport, json: bool) {
    let say = |line: &str| out::result(line, json);
    let row = |what: &str, figure: String| say(&format!("  {what:<13}{figure}"));
    say(&format!(
        "{} stars in {} × {} pixels, measured in {:.2} s",
        report.stars.len(),
        report.size_px[0],
        report.size_px[1],
        report.seconds
    ));
    if !report.stars.is_empty() {
        row("width", format!("{:.2} pixels at half maximum", report.fwhm_px));
        row("elongation", format!("{:.2}", report.elongation));
    }
    for streak in &report.streaks {
        let [from, to] = [streak.from_px, streak.to_px].map(|p| format!("({:.0}, {:.0})", p[0], p[1]));
        let kind = match streak.kind {
            StreakKind::Satellite => "most likely a satellite",
            StreakKind::Aircraft => "most likely an aircraft",
            StreakKind::Meteor => "most likely a meteor",
            StreakKind::Unknown => "unknown",
        };
        row("streak", format!("{from} to {to}: {kind}"));
    }
    row("sky", format!("{:.4} of saturation", report.background));
    row("noise", format!("{:.5} of saturation in one pixel", report.noise));
    row(
        "land",
        format!("{:.0} % of the frame", 100.0 * report.land_fraction),
    );
}
