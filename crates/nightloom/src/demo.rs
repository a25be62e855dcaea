//! `nightloom demo`: a night rendered with known truth, then the main job on it.

use std::fs;
use std::path::{Path, PathBuf};

use clap::Args;
use nightloom_outing::{OUTING_TOML, Step, World};
use nightloom_pipeline::{NewOptions, new_outing};
use nightloom_raster::atomic::write_whole;
use nightloom_simulate::{Counts, Filters, Scenario, Size, render};
use serde::{Deserialize, Serialize};
use serde_json::Value;

use crate::context::Context;
use crate::door::Door;
use crate::failure::Failure;
use crate::told::one_of;
use crate::{build, new, out, system};

/// What says that a folder is a demo's, and of which night.
const MARKER: &str = "nightloom-demo.json";
/// The folders that rendering fills.
const RENDERED: [&str; 5] = ["sky", "land", "darks", "flats", "truth"];

/// Frame sizes.
const SIZES: [(&str, &str, Size); 3] = [
    ("small", "900 x 600 pixels", Size::Small),
    ("default", "3000 x 2000 pixels", Size::Default),
    ("full", "6000 x 4000 pixels", Size::Full),
];

/// What stands over the demo's sensor.
const FILTERS: [(&str, &str, Filters); 7] = [
    ("rggb", "Bayer, red first", Filters::Rggb),
    ("bggr", "Bayer, blue first", Filters::Bggr),
    ("grbg", "Bayer, green first, red beside it", Filters::Grbg),
    ("gbrg", "Bayer, green first, blue beside it", Filters::Gbrg),
    ("x-trans", "the 6 x 6 cell of X-Trans sensors", Filters::XTrans),
    ("none", "none: a monochrome sensor", Filters::None),
    (
        "linear",
        "all colours at every pixel, corrected in the camera",
        Filters::Linear,
    ),
];

/// `nightloom demo`.
#[derive(Args, Debug)]
pub(crate) struct DemoArgs {
    /// Where to render the night: a new or empty folder, or that of an earlier demo.
    #[arg(default_value = "nightloom-demo")]
    folder: PathBuf,
    /// Size of the frames.
    #[arg(long, value_parser = one_of(&SIZES), default_value = "default")]
    size: Size,
    /// Filters over the camera's sensor.
    #[arg(long, value_parser = one_of(&FILTERS), default_value = "rggb")]
    filters: Filters,
    /// Number of tracked sky frames.
    #[arg(long, value_name = "N", default_value_t = 12, value_parser = clap::value_parser!(u16).range(1..=200))]
    frames: u16,
}

#[derive(Serialize, Deserialize)]
struct Marker {
    scenario: Scenario,
    /// Whether all frames were rendered.
    complete: bool,
    /// How long rendering took.
    seconds: f64,
}

pub(crate) fn run(args: &DemoArgs, context: &Context) -> Result<Value, Failure> {
    let (json, door) = (context.json, &*context.door);
    let scenario = scenario(args);
    let before = claim(&args.folder)?;
    let (render_seconds, again) = match before {
        Some(marker) if marker.complete && marker.scenario == scenario => (marker.seconds, false),
        _ => (rendered(&scenario, &args.folder, door)?, true),
    };
    let how = if again { "Rendered" } else { "Found rendered" };
    out::result(
        &format!(
            "{how}: {} in {} ({render_seconds:.1} s)",
            scenario.place,
            args.folder.display()
        ),
        json,
    );
    if !args.folder.join(OUTING_TOML).exists() {
        let report = new_outing(&args.folder, &NewOptions::default(), door);
        door.end_of_job();
        new::tell(&report?, json);
    }
    system::forget_peak();
    door.new_job();
    let report = build::make(&args.folder, door)?;
    out::result(
        &format!("The main job, rendering apart, took {:.1} s", report.seconds),
        json,
    );
    build::tell(&report, json);
    Ok(serde_json::json!({
        "folder": args.folder,
        "place": scenario.place,
        "subject": scenario.subject,
        "rendered": again,
        "render_seconds": render_seconds,
        "truth": args.folder.join("truth/truth.json"),
        "build": report,
    }))
}

fn scenario(args: &DemoArgs) -> Scenario {
    Scenario {
        size: args.size,
        filters: args.filters,
        counts: match args.filters {
            // Frames that come corrected have no use for darks and flats.
            Filters::Linear => Counts {
                sky: args.frames.into(),
                dark: 0,
                flat: 0,
                ..Counts::default()
            },
            _ => Counts {
                sky: args.frames.into(),
                ..Counts::default()
            },
        },
        ..Scenario::default()
    }
}

/// Makes sure that the folder is new, empty or a demo's; tells what an earlier demo left.
fn claim(folder: &Path) -> Result<Option<Marker>, Failure> {
    let unwritable = |e: std::io::Error| nightloom_outing::FolderError::Unwritable {
        path: folder.into(),
        reason: e.to_string(),
    };
    let foreign = || {
        Failure::said(format!(
            "{} is not empty and was not made by nightloom demo; name an empty or a new folder, so that nothing of yours is touched",
            folder.display()
        ))
    };
    if folder.is_file() {
        return Err(foreign());
    }
    fs::create_dir_all(folder).map_err(unwritable)?;
    if let Ok(bytes) = fs::read(folder.join(MARKER)) {
        let marker: Option<Marker> = serde_json::from_slice(&bytes).ok();
        // A marker of another version still says whose folder it is.
        return Ok(marker);
    }
    let mut entries = fs::read_dir(folder).map_err(unwritable)?;
    if entries.next().is_some() {
        Err(foreign())
    } else {
        Ok(None)
    }
}

/// Renders anew; what an earlier demo rendered is removed first, settings and results are not.
fn rendered(scenario: &Scenario, folder: &Path, door: &Door) -> Result<f64, Failure> {
    mark(folder, scenario, None)?;
    for name in RENDERED {
        let path = folder.join(name);
        if path.exists() {
            fs::remove_dir_all(&path).map_err(|e| nightloom_outing::FolderError::Unwritable {
                path,
                reason: e.to_string(),
            })?;
        }
    }
    let started = door.seconds();
    let progress = |done: usize, of: usize, what: &str| {
        let part = done as f64 / of.max(1) as f64;
        door.progress(&Step {
            stage: "Rendering the night",
            done: part,
            overall: Some(part),
            note: what,
        });
    };
    let truth = render(scenario, folder, &progress, door.cancelled());
    door.end_of_job();
    truth?;
    let seconds = door.seconds() - started;
    mark(folder, scenario, Some(seconds))?;
    door.new_job();
    Ok(seconds)
}

fn mark(folder: &Path, scenario: &Scenario, seconds: Option<f64>) -> Result<(), Failure> {
    let marker = Marker {
        scenario: scenario.clone(),
        complete: seconds.is_some(),
        seconds: seconds.unwrap_or(0.0),
    };
    let path = folder.join(MARKER);
    let bytes = serde_json::to_vec_pretty(&marker).unwrap_or_default();
    write_whole(&path, |out| std::io::Write::write_all(out, &bytes)).map_err(|e| {
        nightloom_outing::FolderError::Unwritable {
            path,
            reason: e.to_string(),
        }
    })?;
    Ok(())
}
