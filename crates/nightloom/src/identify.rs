//! `nightloom identify`.

use std::path::PathBuf;

use clap::Args;
use nightloom_frames::{FrameLight, FrameTold, IdentifyReport, LensTold, identify_frame};
use nightloom_outing::typed::{self, MomentTyped};
use serde_json::Value;

use crate::context::Context;
use crate::failure::Failure;
use crate::out;
use crate::place::{SpotArgs, instant};
use crate::told::{FocalTold, LensesTold};

/// `nightloom identify`.
#[derive(Args, Debug)]
pub(crate) struct IdentifyArgs {
    /// The frame.
    frame: PathBuf,
    #[command(flatten)]
    focal: FocalTold,
    /// Field of view along the longer side, degrees, if known.
    #[arg(long, value_name = "D", conflicts_with_all = ["focal", "pitch"])]
    field: Option<f64>,
    #[command(flatten)]
    lenses: LensesTold,
    #[command(flatten)]
    spot: SpotArgs,
    /// The middle of the exposure: 2026-08-12 22:30 by the site's clock, or 2026-08-12T20:30:00Z; the file's own time
    /// when not given.
    #[arg(long, value_name = "T", value_parser = typed::moment)]
    at: Option<MomentTyped>,
}

pub(crate) fn run(args: &IdentifyArgs, context: &Context) -> Result<Value, Failure> {
    let report = identify_frame(&args.frame, &told(args)?, &*context.door);
    context.door.end_of_job();
    let report = report?;
    if !report.identified {
        return Err(Failure::no(out::value(&report), not_identified(&report)));
    }
    tell(&report, context.json);
    Ok(out::value(&report))
}

fn told(args: &IdentifyArgs) -> Result<FrameTold, Failure> {
    let lens = match args.field {
        Some(field_deg) => LensTold::Field { field_deg },
        None => args.focal.lens()?,
    };
    let (site, settings) = (args.spot.site()?, args.spot.settings()?);
    let place = site.as_ref().map(|site| (site, &settings));
    let at = args.at.as_ref().map(|at| instant("--at", at, place));
    Ok(FrameTold {
        lens,
        at: at.transpose()?,
        site,
        lenses: args.lenses.lenses.clone(),
    })
}

fn not_identified(report: &IdentifyReport) -> String {
    format!("not identified: {}", report.why.as_deref().unwrap_or("no stars"))
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
    if let (Some(altitude), Some(azimuth)) = (report.altitude_deg, report.azimuth_deg) {
        row("stands", format!("{altitude:.1}° high at azimuth {azimuth:.1}°"));
    }
    if let Some(light) = &report.light {
        tell_light(light, json);
    }
    row("time", format!("{:.2} s", report.seconds));
    for note in &report.notes {
        out::result(note, json);
    }
}

fn tell_light(light: &FrameLight, json: bool) {
    let row = |what: &str, figure: String| out::result(&format!("{what:<13}{figure}"), json);
    if let (Some(mag), Some(sigma)) = (light.sky_mag_arcsec2, light.sky_sigma) {
        let darkest = light.sky_darkest.map_or(String::new(), |d| {
            format!(", {:.2} where it is darkest", d.mag_arcsec2)
        });
        row("sky", format!("{mag:.2} ± {sigma:.2} mag/arcsec² in V{darkest}"));
    }
    if let Some(limit) = light.limiting_mag {
        row("faintest", format!("magnitude {limit:.1} at 5 σ"));
    }
    if let (Some(zero), Some(sigma)) = (light.zero_point_mag, light.zero_point_sigma) {
        row(
            "zero point",
            format!(
                "{zero:.3} ± {sigma:.3} mag for one saturation per {}, {} stars",
                light.zero_point_per, light.stars
            ),
        );
    }
    if let (Some(extinction), Some(sigma)) = (light.extinction_mag, light.extinction_sigma) {
        row(
            "air",
            format!("takes {extinction:.2} ± {sigma:.2} mag per airmass"),
        );
    }
    if let Some(falloff) = light.falloff {
        row(
            "corners",
            format!(
                "{:.2} ± {:.2} stops darker",
                falloff.corner_stops, falloff.corner_sigma
            ),
        );
    }
    for note in &light.notes {
        out::result(note, json);
    }
}
