//! `nightloom identify`.

use std::path::PathBuf;

use clap::Args;
use nightloom_outing::{IdentifyReport, LensTold, identify_frame};

use crate::cli::Common;
use crate::door::Door;
use crate::{Trouble, out};

/// `nightloom identify`.
#[derive(Args, Debug)]
pub(crate) struct IdentifyArgs {
    /// The frame.
    frame: PathBuf,
    /// Focal length, millimetres, if known.
    #[arg(long, value_name = "MM", requires = "pitch")]
    focal: Option<f64>,
    /// Distance between the picture's pixels, micrometres.
    #[arg(long, value_name = "UM", requires = "focal")]
    pitch: Option<f64>,
    /// Field of view along the longer side, degrees, if known.
    #[arg(long, value_name = "D", conflicts_with_all = ["focal", "pitch"])]
    field: Option<f64>,
    #[command(flatten)]
    pub(crate) common: Common,
}

pub(crate) fn run(args: &IdentifyArgs, door: &Door) -> Result<serde_json::Value, Trouble> {
    let told = match (args.focal, args.pitch, args.field) {
        (Some(focal_mm), Some(pitch_um), _) => LensTold::Focal { focal_mm, pitch_um },
        (_, _, Some(field_deg)) => LensTold::Field { field_deg },
        _ => LensTold::Nothing,
    };
    let report = identify_frame(&args.frame, &told, door);
    door.end_of_job();
    let report = report?;
    if !report.identified {
        return Err(Trouble::No {
            json: out::value(&report),
            sentence: not_identified(&report),
        });
    }
    tell(&report, args.common.json);
    Ok(out::value(&report))
}

fn not_identified(report: &IdentifyReport) -> String {
    format!(
        "not identified: {} stars were found, and no part of the sky down to magnitude 8 explains them better than \
         chance would",
        report.stars
    )
}

fn tell(report: &IdentifyReport, json: bool) {
    let row = |what: &str, figure: String| out::result(&format!("{what:<13}{figure}"), json);
    if let (Some(centre), Some(roll)) = (report.centre, report.roll_deg) {
        row(
            "middle",
            format!(
                "right ascension {:.4}°, declination {:+.4}° (ICRS)",
                centre.ra_deg, centre.dec_deg
            ),
        );
        row("up", format!("{roll:.2}° from north through east"));
    }
    if let (Some([width, height]), Some(scale)) = (report.field_deg, report.scale_arcsec_px) {
        row(
            "field",
            format!("{width:.2}° × {height:.2}°, {scale:.2}″ to the pixel in the middle"),
        );
    }
    if report.mirrored == Some(true) {
        row("mirrored", "yes: this is a mirror image of the sky".into());
    }
    if let (Some(rms), Some(chance)) = (report.rms_px, report.false_alarm) {
        row(
            "matched",
            format!(
                "{} of {} stars, {rms:.2} pixels rms; chance of a false alarm {chance:.0e}",
                report.matched, report.stars
            ),
        );
    }
    row("time", format!("{:.2} s", report.seconds));
}
