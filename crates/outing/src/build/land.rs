//! The fixed frames become one: the land stack.

use std::path::Path;

use nightloom_optics::Exposure;
use nightloom_raster::colour::to_working;
use nightloom_raster::{FrameMeta, Plane, Rgb, WorkFile};
use nightloom_stack::{CombineSettings, Input, Shift, Source, combine, tripod_shift};
use serde::{Deserialize, Serialize};

use super::bench::Bench;
use super::error::BuildError;
use super::exact::{read_planes, write_planes};
use super::inventory::Item;
use super::prepare::Prepared;
use crate::hash::Digest;
use crate::journal::StepKey;
use crate::plan::LandSettings;

/// A tripod that moved by less is left alone: resampling costs more sharpness than the shift.
const STILL_PX: f64 = 0.15;
/// Pixels that one value of the temporal planes stands for, each way.
const TEMPORAL_CELL: usize = 4;

/// The stacked land.
pub(super) struct LandStack {
    /// Linear working colour on the scale of a tracked frame's exposure.
    pub(super) picture: Rgb,
    /// Mean of single frames' luminance in cells.
    pub(super) mean: Plane,
    /// Variance of single frames' luminance over the frames in cells.
    pub(super) variance: Plane,
    /// What was done.
    pub(super) facts: LandFacts,
    /// The identity of the step.
    pub(super) key: Digest,
    /// Its work file, inside the outing.
    pub(super) work: String,
    /// Width and height of the land frame; the picture may be laid on a larger canvas later.
    pub(super) frame_px: [usize; 2],
}

/// What the journal keeps of a land stack.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub(super) struct LandFacts {
    /// Shift of each frame against the first one.
    pub(super) shifts_px: Vec<[f64; 2]>,
    /// Share of samples rejected per frame.
    pub(super) rejected: Vec<f64>,
}

/// How much more light the tracked frames recorded than the land frames, or 1 where EXIF does not
/// tell.
pub(super) fn exposure_ratio(sky: &FrameMeta, land: &FrameMeta) -> f32 {
    known_ratio(sky, land).unwrap_or(1.0)
}

/// How much more light the tracked frames recorded, from exposure, aperture and ISO.
pub(super) fn known_ratio(sky: &FrameMeta, land: &FrameMeta) -> Option<f32> {
    let exposure = |m: &FrameMeta| {
        Some(Exposure {
            seconds: m.exposure_s?,
            f_number: m.f_number.unwrap_or(1.0),
            iso: m.iso?,
        })
        .filter(|_| sky.f_number.is_some() == land.f_number.is_some())
    };
    let ratio = exposure(sky)?.gain_over(&exposure(land)?) as f32;
    (ratio.is_finite() && ratio > 0.0).then_some(ratio)
}

/// Stacks the land frames on the first one's pixels.
pub(super) fn stack_land(
    bench: &mut Bench<'_>,
    settings: &LandSettings,
    items: &[Item],
    frames: &[Prepared],
    to_sky_scale: f32,
) -> Result<LandStack, BuildError> {
    let key = frames
        .iter()
        .fold(StepKey::new("land-stack", 2), |key, f| {
            key.input(&items[f.item].name, f.key)
        })
        .settings(&(settings, to_sky_scale))
        .finish();
    let (name, path) = bench.work_file("land", key, "planes")?;
    let (cells_name, cells) = bench.work_file("land", key, "cells")?;
    if let Some(facts) = bench.kept::<LandFacts>("land-stack", key) {
        let read = |path: &Path| read_planes(path).map_err(|e| BuildError::read(path, &e));
        let planes = (
            <[Plane; 3]>::try_from(read(&path)?),
            <[Plane; 2]>::try_from(read(&cells)?),
        );
        if let (Ok([r, g, b]), Ok([mean, variance])) = planes {
            return Ok(LandStack {
                frame_px: [r.width(), r.height()],
                key,
                work: name,
                picture: Rgb::from_planes([r, g, b]),
                mean,
                variance,
                facts,
            });
        }
    }
    let sources = frames
        .iter()
        .map(|f| WorkFile::open(&f.work))
        .collect::<Result<Vec<_>, _>>()
        .map_err(internal)?;
    let shifts = shifts(bench, settings, frames, &sources)?;
    let (mut picture, rejected) = combined(bench, settings, &sources, &shifts)?;
    to_working(&mut picture, &frames[0].facts.colour);
    for plane in picture.planes_mut() {
        plane.data_mut().iter_mut().for_each(|v| *v *= to_sky_scale);
    }
    let [mean, variance] =
        temporal(&sources, to_sky_scale).map_err(|e| BuildError::read(&frames[0].work, &e))?;
    let facts = LandFacts {
        shifts_px: shifts.iter().map(|s| [s.dx, s.dy]).collect(),
        rejected,
    };
    let [r, g, b] = picture.planes();
    write_planes(&path, &[r, g, b]).map_err(|e| BuildError::write(&path, &e))?;
    write_planes(&cells, &[&mean, &variance]).map_err(|e| BuildError::write(&cells, &e))?;
    bench.done("land-stack", key, &[&name, &cells_name], &facts)?;
    Ok(LandStack {
        frame_px: [picture.width(), picture.height()],
        key,
        work: name,
        picture,
        mean,
        variance,
        facts,
    })
}

fn internal(error: impl std::fmt::Display) -> BuildError {
    BuildError::Internal {
        what: error.to_string(),
    }
}

/// One land frame by itself, in the stack's colour and scale.
pub(super) fn single(frame: &Prepared, to_sky_scale: f32) -> Result<Rgb, BuildError> {
    let mut picture = WorkFile::open(&frame.work)
        .and_then(|f| f.read_rgb())
        .map_err(internal)?;
    to_working(&mut picture, &frame.facts.colour);
    for plane in picture.planes_mut() {
        plane.data_mut().iter_mut().for_each(|v| *v *= to_sky_scale);
    }
    Ok(picture)
}

/// How far the tripod moved between the first frame and each.
fn shifts(
    bench: &Bench<'_>,
    settings: &LandSettings,
    frames: &[Prepared],
    sources: &[WorkFile],
) -> Result<Vec<Shift>, BuildError> {
    let still = Shift {
        confidence: 1.0,
        ..Shift::default()
    };
    if !settings.register || frames.len() < 2 {
        return Ok(vec![still; frames.len()]);
    }
    let first = sources[0].read_plane(1).map_err(internal)?;
    let land = &frames[0].facts.field.land;
    let mut shifts = vec![still];
    for (i, source) in sources.iter().enumerate().skip(1) {
        bench.show("Checking the tripod", i as f64 / sources.len() as f64, "")?;
        let other = source.read_plane(1).map_err(internal)?;
        let is_land = |x: usize, y: usize| land.is_land(x as f64, y as f64);
        let sure = |s: &Shift| s.dx.hypot(s.dy) > STILL_PX && s.confidence > 0.5;
        shifts.push(
            tripod_shift(&first, &other, &is_land)
                .filter(sure)
                .unwrap_or(still),
        );
    }
    Ok(shifts)
}

fn combined(
    bench: &Bench<'_>,
    settings: &LandSettings,
    sources: &[WorkFile],
    shifts: &[Shift],
) -> Result<(Rgb, Vec<f64>), BuildError> {
    let inputs: Vec<Input<'_>> = sources
        .iter()
        .zip(shifts)
        .map(|(source, shift)| {
            let (dx, dy) = (shift.dx, shift.dy);
            let to_source: Option<Box<nightloom_stack::Mapping<'_>>> = if dx == 0.0 && dy == 0.0 {
                None
            } else {
                Some(Box::new(move |[x, y]: [f64; 2]| Some([x + dx, y + dy])))
            };
            Input {
                to_source,
                ..Input::unmoved(source as &dyn Source)
            }
        })
        .collect();
    let mut combine_settings = CombineSettings {
        feather_px: 0.0,
        level_frames: false,
        ..CombineSettings::default()
    };
    combine_settings.reject.enabled = settings.reject;
    let (width, height) = (sources[0].width(), sources[0].height());
    let progress = |done: f64| bench.tell("Stacking land frames", done, "");
    let stacked = combine(
        &inputs,
        width,
        height,
        &combine_settings,
        &progress,
        bench.world.cancelled(),
    )
    .map_err(|e| bench.go_on().err().unwrap_or_else(|| internal(e)))?;
    Ok((stacked.rgb, stacked.rejected_per_input))
}

/// Mean over the frames, and variance between them, of the green light in cells.
fn temporal(sources: &[WorkFile], scale: f32) -> std::io::Result<[Plane; 2]> {
    let (width, height) = (sources[0].width(), sources[0].height());
    let (columns, rows) = ((width / TEMPORAL_CELL).max(1), (height / TEMPORAL_CELL).max(1));
    let mut mean = Plane::filled(columns, rows, 0.0);
    let mut variance = Plane::filled(columns, rows, 0.0);
    let mut band = vec![0.0; width * TEMPORAL_CELL.min(height)];
    let n = sources.len() as f32;
    for row in 0..rows {
        let (mut sum, mut square) = (vec![0.0f32; columns], vec![0.0f32; columns]);
        for source in sources {
            let lines = TEMPORAL_CELL.min(height);
            source
                .read_rows(1, row * TEMPORAL_CELL, lines, &mut band)
                .map_err(|e| std::io::Error::other(e.to_string()))?;
            for (column, (sum, square)) in sum.iter_mut().zip(&mut square).enumerate() {
                let across = TEMPORAL_CELL.min(width);
                let cell = band
                    .chunks(width)
                    .map(|line| &line[column * TEMPORAL_CELL..][..across]);
                let value = cell.flatten().sum::<f32>() * scale / (across * lines) as f32;
                *sum += value;
                *square += value * value;
            }
        }
        for column in 0..columns {
            let m = sum[column] / n;
            *mean.at_mut(column, row) = m;
            *variance.at_mut(column, row) = if n > 1.0 {
                ((square[column] - n * m * m) / (n - 1.0)).max(0.0)
            } else {
                0.0
            };
        }
    }
    Ok([mean, variance])
}
