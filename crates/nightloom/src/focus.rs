//! `nightloom focus`.

use std::path::PathBuf;

use clap::Args;
use nightloom_optics::land::{FocusPlan, FocusQuestion, focus_plan};
use nightloom_outing::typed;
use serde_json::Value;

use crate::context::Context;
use crate::failure::Failure;
use crate::out;
use crate::told::{RigArgs, need};

/// `nightloom focus`.
#[derive(Args, Debug)]
pub(crate) struct FocusArgs {
    /// An outing's folder, whose rig tells what is not given here.
    folder: Option<PathBuf>,
    /// Focal length, millimetres.
    #[arg(long, value_name = "MM", value_parser = typed::focal_mm, allow_hyphen_values = true)]
    focal: Option<f64>,
    /// Aperture.
    #[arg(long, value_name = "N", value_parser = typed::f_number, allow_hyphen_values = true)]
    f_number: f64,
    /// Distance between the sensor's pixels, micrometres. Two of them count as sharp.
    #[arg(long, value_name = "UM", value_parser = typed::pitch_um, allow_hyphen_values = true)]
    pitch: Option<f64>,
    #[command(flatten)]
    rig: RigArgs,
    /// The nearest thing that is to be sharp, metres.
    #[arg(long, value_name = "M")]
    nearest: Option<f64>,
    /// Part of its near limit by which each focus bracket reaches into the one before it, as 0.1 or 10 %.
    #[arg(long, value_name = "SHARE", value_parser = typed::share, default_value = "0.1", allow_hyphen_values = true)]
    overlap: f64,
}

pub(crate) fn run(args: &FocusArgs, context: &Context) -> Result<Value, Failure> {
    let rig = args.rig.or_of(args.folder.as_deref())?;
    let plan = focus_plan(&FocusQuestion {
        focal_mm: need(args.focal.or(rig.focal_mm), "--focal", "24")?,
        f_number: args.f_number,
        pitch_um: need(args.pitch.or(rig.pixel_um), "--pitch", "5.95")?,
        nearest_m: args.nearest,
        overlap: args.overlap,
    })?;
    tell(&plan, context.json);
    Ok(out::value(&plan))
}

fn tell(focus: &FocusPlan, json: bool) {
    let say = |line: &str| out::result(line, json);
    say(&format!(
        "Hyperfocal distance {:.2} m: focused there, all from {:.2} m to infinity is sharp within {:.1} µm, two \
         pixels.",
        focus.hyperfocal_m, focus.at_hyperfocal.near_m, focus.confusion_um
    ));
    let airy = focus.diffraction;
    if airy.limits {
        say(&format!(
            "Diffraction makes every point {:.1} µm wide, {:.1} pixels: open the aperture rather than close it.",
            airy.diameter_um, airy.diameter_px
        ));
    }
    for (k, step) in focus.brackets.iter().enumerate() {
        let far = step.far_m.map_or("infinity".into(), |far| format!("{far:.2} m"));
        say(&format!(
            "{:>3}. focus at {:.2} m: sharp from {:.2} m to {far}",
            k + 1,
            step.focus_m,
            step.near_m
        ));
    }
    if !focus.reached {
        say("That is as many as are planned; the nearest thing stays soft. Close the aperture or step back.");
    }
}
