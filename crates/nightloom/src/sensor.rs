//! `nightloom sensor`.

use std::path::PathBuf;

use clap::Args;
use nightloom_frames::{SensorAtIso, SensorReport, UnusedFrame, measure_sensor};
use serde_json::{Value, json};

use crate::context::Context;
use crate::failure::Failure;
use crate::out;

/// `nightloom sensor`.
#[derive(Args, Debug)]
pub(crate) struct SensorArgs {
    /// Raw files, or folders of them: at least two flats of one exposure and two biases or short darks;
    /// two long darks as well give the dark current and the hot pixels. They are told apart by their level.
    #[arg(required = true, value_name = "FRAMES")]
    frames: Vec<PathBuf>,
}

pub(crate) fn run(args: &SensorArgs, context: &Context) -> Result<Value, Failure> {
    let report = measure_sensor(&args.frames, &*context.door);
    context.door.end_of_job();
    let report = report?;
    if !report.measured() {
        let sentence = format!("nothing could be measured. {}", why(&report));
        return Err(Failure::no(json!({ "error": sentence }), sentence));
    }
    tell(&report, context.json);
    Ok(out::value(&report))
}

fn why(report: &SensorReport) -> String {
    let missing = report.sensors.iter().flat_map(|s| s.missing.iter().cloned());
    let out = report.left_out.iter().map(left_out);
    missing.chain(out).collect::<Vec<_>>().join(" ")
}

fn left_out(frame: &UnusedFrame) -> String {
    format!("Left out: {}: {}.", frame.path.display(), frame.reason)
}

fn tell(report: &SensorReport, json: bool) {
    for sensor in &report.sensors {
        lines(sensor).iter().for_each(|line| out::result(line, json));
        out::result("", json);
    }
    let left = report.left_out.iter().map(left_out);
    left.for_each(|line| out::result(&line, json));
}

/// What is missing where a figure comes out as anything.
const FLATS: &str = "take more pairs of flats, at several levels from dark to nearly saturated";
const BIASES: &str = "take more biases, and flats at several levels for the gain";
const DARKS: &str = "take more and longer darks";

/// A figure, or what it needs where its error is as large as itself. A dark current of nought is one.
fn told_if_known(value: f64, error: f64, told: String, missing: &str) -> String {
    if error.is_finite() && (error <= value.abs() || error < 1.0) {
        told
    } else {
        format!("cannot be told from these frames; {missing}")
    }
}

/// What was measured of one sensor, line by line; every figure with its standard error.
fn lines(s: &SensorAtIso) -> Vec<String> {
    let camera = s.camera.as_deref().unwrap_or("Camera unknown");
    let iso = s.iso.map_or("ISO unknown".into(), |iso| format!("ISO {iso:.0}"));
    let mut all = vec![format!(
        "{camera}, {iso}, {} × {} pixels",
        s.size_px[0], s.size_px[1]
    )];
    let mut row = |what: &str, figure: String| all.push(format!("  {what:<13}{figure}"));
    if let Some(m) = s.gain_e_per_dn {
        let told = format!("{:.4} ± {:.4} electrons per number", m.value, m.error);
        row("gain", told_if_known(m.value, m.error, told, FLATS));
    }
    if let Some(m) = s.read_noise_e {
        let told = format!("{:.3} ± {:.3} electrons", m.value, m.error);
        row("read noise", told_if_known(m.value, m.error, told, BIASES));
    }
    if let Some(m) = s.full_well_e {
        let from = if s.saturation.seen {
            "seen in the frames"
        } else {
            "as the file says"
        };
        let level = s.saturation.level_dn;
        row(
            "full well",
            told_if_known(
                m.value,
                m.error,
                format!(
                    "{:.0} ± {:.0} electrons ({level:.0} numbers above black, {from})",
                    m.value, m.error
                ),
                FLATS,
            ),
        );
    }
    if let Some(d) = s.dark {
        let m = d.e_per_s;
        row(
            "dark current",
            told_if_known(
                m.value,
                m.error,
                format!("{:.4} ± {:.4} electrons per second", m.value, m.error),
                DARKS,
            ),
        );
    }
    if let Some(h) = s.hot {
        let (count, share, t) = (h.count, h.share * 1e6, h.exposure_s);
        row(
            "hot pixels",
            format!(
                "{:.0} ± {:.0} in {t} s ({share:.0} in a million)",
                count.value, count.error
            ),
        );
    }
    for c in &s.channels {
        let (g, r) = (c.gain_e_per_dn, c.read_noise_e);
        row(
            &c.name,
            format!(
                "gain {:.4} ± {:.4}, read noise {:.3} ± {:.3}",
                g.value, g.error, r.value, r.error
            ),
        );
    }
    let f = s.frames;
    row(
        "from",
        format!(
            "{} flats ({} pairs), {} biases, {} longer darks",
            f.flats, f.flat_pairs, f.biases, f.darks
        ),
    );
    all.extend(s.missing.iter().chain(&s.notes).map(|line| format!("  {line}")));
    all
}
