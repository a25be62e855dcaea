//! Frames as the measurement needs them: a first look, and decoding again.

use std::path::{Path, PathBuf};

use nightloom_fit::median;
use nightloom_raster::{Cfa, DecodeOptions, Frame, FrameMeta, Levels, Pixels, Plane, is_frame_path};
use nightloom_stack::{Readout, pile};

use super::SensorError;
use nightloom_outing::{Step, World};

/// Below this share of pixels at the highest number, that is no saturation but chance.
const PILED: f64 = 0.005;
/// Files whose numbers span less than this have been converted to something else.
const LEAST_SPAN: f32 = 200.0;
/// Pixels across that are looked at for the level.
const LOOKED_AT: usize = 500;

/// A frame after the first look.
#[derive(Clone, Debug)]
pub(super) struct Seen {
    pub(super) path: PathBuf,
    pub(super) meta: FrameMeta,
    pub(super) size: (usize, usize),
    /// The filters.
    pub(super) cfa: Cfa,
    /// DN per unit, by place.
    pub(super) span_dn: [f32; 4],
    /// Median, 1 at saturation.
    pub(super) level: f64,
    /// Where its pixels pile up, DN above black.
    pub(super) piled_dn: Option<f64>,
}

impl Seen {
    pub(super) fn readout<'a>(&self, plane: &'a Plane) -> Readout<'a> {
        Readout {
            plane,
            cfa: self.cfa,
            span_dn: self.span_dn,
        }
    }
}

/// Files as named, and those in the folders that were named, by name.
pub(super) fn expand(named: &[PathBuf]) -> Result<Vec<PathBuf>, SensorError> {
    let mut paths = Vec::new();
    for path in named {
        let unreadable = |e: std::io::Error| SensorError::Unreadable {
            path: path.clone(),
            reason: e.to_string(),
        };
        if !std::fs::metadata(path).map_err(unreadable)?.is_dir() {
            paths.push(path.clone());
            continue;
        }
        for entry in std::fs::read_dir(path).map_err(unreadable)? {
            let file = entry.map_err(unreadable)?.path();
            if file.is_file() && is_frame_path(&file) {
                paths.push(file);
            }
        }
    }
    paths.sort();
    paths.dedup();
    Ok(paths)
}

/// Tells how far the work is, and heeds a request to stop.
pub(super) fn show(
    world: &dyn World,
    stage: &str,
    k: usize,
    of: usize,
    path: &Path,
) -> Result<(), SensorError> {
    if world.is_cancelled() {
        return Err(SensorError::Cancelled);
    }
    let note = path.file_name().unwrap_or_default().to_string_lossy();
    world.progress(&Step {
        stage,
        done: k as f64 / of.max(1) as f64,
        overall: None,
        note: &note,
    });
    Ok(())
}

/// Decodes a frame and tells what kind it is, or why it cannot serve.
pub(super) fn look(path: &Path, world: &dyn World) -> Result<Seen, String> {
    let frame = decode(path, world)?;
    let readout = readout(&frame)?;
    let cfa = readout.cfa;
    let (width, height) = (readout.plane.width(), readout.plane.height());
    let places = readout.places();
    let piles = (0..places).map(|p| pile(&readout, p));
    let piled = piles
        .filter(|p| p.share > PILED)
        .map(|p| p.level_dn)
        .fold(0.0, f64::max);
    Ok(Seen {
        path: path.to_owned(),
        size: (width, height),
        cfa,
        span_dn: frame.levels.span(),
        level: median_level(readout.plane),
        // Zero pixels pile up at the bottom, not at the top.
        piled_dn: (piled > f64::from(frame.levels.span()[0]) * 0.25).then_some(piled),
        meta: frame.meta,
    })
}

/// The frame's pixels again.
pub(super) fn plane(path: &Path, world: &dyn World) -> Result<Plane, String> {
    match decode(path, world)?.pixels {
        Pixels::Mosaic(mosaic) => Ok(mosaic.plane),
        Pixels::Grey(plane) => Ok(plane),
        Pixels::Rgb(_) => Err(NOT_RAW.into()),
    }
}

const NOT_RAW: &str = "it is not raw: its pixels have been mixed and no longer show the sensor's noise";

fn decode(path: &Path, world: &dyn World) -> Result<Frame, String> {
    world
        .decode(
            path,
            &DecodeOptions {
                // As the sensor lies, however the camera was held.
                orientation: Some(1),
                ..DecodeOptions::default()
            },
        )
        .map_err(|e| e.to_string())
}

fn readout(frame: &Frame) -> Result<Readout<'_>, String> {
    if !frame.was_linear {
        return Err(NOT_RAW.into());
    }
    let readout = Readout::of(&frame.pixels, &frame.levels).ok_or(NOT_RAW)?;
    check_span(&frame.levels)?;
    Ok(readout)
}

fn check_span(levels: &Levels) -> Result<(), String> {
    if levels.span().iter().all(|s| *s >= LEAST_SPAN) {
        return Ok(());
    }
    Err(
        "its numbers have been converted, so that electrons per number cannot be told; give the camera's \
         own raw file"
            .into(),
    )
}

fn median_level(plane: &Plane) -> f64 {
    let step = (plane.width() / LOOKED_AT).max(1);
    // Rows and columns an odd number apart meet all colours alike.
    let step = step | 1;
    let mut values = Vec::new();
    for y in (0..plane.height()).step_by(step) {
        values.extend(plane.row(y).iter().step_by(step));
    }
    f64::from(median(&mut values).unwrap_or(0.0))
}
