//! Master darks, flats and bias of an outing, and which of them serve a frame.

use std::path::{Path, PathBuf};

use nightloom_raster::{Cfa, Frame, FrameMeta, Pixels, Plane, WorkFile};
use nightloom_stack::{
    Calibration, Dark, HotSettings, MasterSettings, Normalise, Source, find_hot_pixels, flat_from_master,
    master,
};
use serde::{Deserialize, Serialize};

use super::ahead::each_decoded;
use super::bench::Bench;
use super::error::BuildError;
use super::inventory::{Item, decode_options};
use crate::hash::Digest;
use crate::journal::StepKey;
use crate::plan::Settings;
use crate::roles::Role;

/// How far two exposure times may differ and still be the same setting.
const SAME: f64 = 0.03;

/// One master frame on disk.
#[derive(Clone, Debug)]
pub(super) struct MasterFile {
    path: PathBuf,
    key: Digest,
    about: MasterFacts,
}

/// What the journal keeps of a master.
#[derive(Clone, Debug, Serialize, Deserialize)]
struct MasterFacts {
    exposure_s: Option<f64>,
    iso: Option<f64>,
    f_number: Option<f64>,
    frames: usize,
    cfa: Cfa,
    /// Frames that could not serve, by name, with the reason.
    refused: Vec<(String, String)>,
}

/// All masters of an outing.
#[derive(Clone, Debug, Default)]
pub(super) struct Masters {
    darks: Vec<MasterFile>,
    flats: Vec<MasterFile>,
    biases: Vec<MasterFile>,
}

/// The masters for one kind of frame, loaded, with their identity.
#[derive(Clone, Debug, Default)]
pub(super) struct Loaded {
    /// What is applied.
    pub(super) calibration: Calibration,
    /// Whether hot pixels have to be looked for in the frame itself.
    pub(super) hot_from_frame: bool,
    /// Identity of what is applied.
    pub(super) keys: Vec<Digest>,
    /// What the frames' verdicts say of it.
    pub(super) said: String,
}

/// Makes the masters that the calibration frames allow.
pub(super) fn masters(
    bench: &mut Bench<'_>,
    settings: &Settings,
    items: &mut [Item],
) -> Result<Masters, BuildError> {
    let biases = of_role(bench, settings, items, Role::Bias, |_, _| true)?;
    let darks = of_role(bench, settings, items, Role::Dark, |a, b| {
        near(a.exposure_s, b.exposure_s) && near(a.iso, b.iso)
    })?;
    let flats = of_role(bench, settings, items, Role::Flat, |a, b| {
        near(a.f_number, b.f_number) && near(a.focal_mm, b.focal_mm)
    })?;
    Ok(Masters { darks, flats, biases })
}

fn near(a: Option<f64>, b: Option<f64>) -> bool {
    match (a, b) {
        (Some(a), Some(b)) => (a - b).abs() <= SAME * a.abs().max(b.abs()),
        (None, None) => true,
        _ => false,
    }
}

/// One master per group of frames taken with the same settings.
fn of_role(
    bench: &mut Bench<'_>,
    settings: &Settings,
    items: &mut [Item],
    role: Role,
    alike: impl Fn(&FrameMeta, &FrameMeta) -> bool,
) -> Result<Vec<MasterFile>, BuildError> {
    let mut groups: Vec<Vec<usize>> = Vec::new();
    for i in (0..items.len()).filter(|&i| items[i].serves(role)) {
        let meta = &items[i].facts.meta;
        match groups.iter_mut().find(|g| alike(&items[g[0]].facts.meta, meta)) {
            Some(group) => group.push(i),
            None => groups.push(vec![i]),
        }
    }
    let mut made = Vec::new();
    for group in groups {
        let file = one_master(bench, settings, items, role, &group)?;
        for (name, reason) in file.iter().flat_map(|f| &f.about.refused) {
            if let Some(item) = items.iter_mut().find(|i| &i.name == name) {
                item.out = Some(reason.clone());
            }
        }
        made.extend(file.filter(|f| f.about.frames > 0));
    }
    Ok(made)
}

fn one_master(
    bench: &mut Bench<'_>,
    settings: &Settings,
    items: &[Item],
    role: Role,
    group: &[usize],
) -> Result<Option<MasterFile>, BuildError> {
    let step = format!("master-{role}");
    let key = group
        .iter()
        .fold(StepKey::new(&step, 2), |key, &i| match items[i].hash {
            Some(hash) => key.input(&items[i].name, hash),
            None => key,
        })
        .settings(&decode_options(settings))
        .finish();
    let (name, path) = bench.work_file(&step, key, "plane")?;
    if let Some(about) = bench.kept::<MasterFacts>(&step, key) {
        return Ok(Some(MasterFile { path, key, about }));
    }
    let scratch = gather(bench, settings, items, role, group)?;
    let meta = &items[group[0]].facts.meta;
    let about = MasterFacts {
        exposure_s: meta.exposure_s,
        iso: meta.iso,
        f_number: meta.f_number,
        frames: scratch.files.len(),
        cfa: scratch.cfa.unwrap_or(Cfa::RGGB),
        refused: scratch.refused,
    };
    let mut outputs = vec![];
    if !scratch.files.is_empty() {
        let plane = combine(&scratch.files, role, about.cfa)?;
        WorkFile::write_plane(&path, &plane).map_err(work_error)?;
        outputs.push(name.as_str());
    }
    for file in &scratch.files {
        // Scratch that stays behind is removed with the other unused work files.
        let _ = std::fs::remove_file(file.path());
    }
    bench.done(&step, key, &outputs, &about)?;
    Ok(Some(MasterFile { path, key, about }))
}

#[derive(Default)]
struct Scratch {
    files: Vec<WorkFile>,
    cfa: Option<Cfa>,
    refused: Vec<(String, String)>,
}

/// Decodes the frames of a group into scratch files.
fn gather(
    bench: &mut Bench<'_>,
    settings: &Settings,
    items: &[Item],
    role: Role,
    group: &[usize],
) -> Result<Scratch, BuildError> {
    let places = group
        .iter()
        .map(|&i| {
            bench.work_file(
                "scratch",
                items[i].hash.unwrap_or(Digest::from_bytes([0; 32])),
                "plane",
            )
        })
        .collect::<Result<Vec<_>, _>>()?;
    let paths: Vec<&Path> = group.iter().map(|&i| items[i].path.as_path()).collect();
    let (mut scratch, stage) = (Scratch::default(), format!("Reading {role} frames"));
    each_decoded(bench.world, &paths, &decode_options(settings), |k, frame| {
        let name = &items[group[k]].name;
        bench.show(&stage, k as f64 / group.len() as f64, name)?;
        match frame.map_err(|e| e.to_string()).and_then(|f| usable(f, &scratch)) {
            Ok((plane, cfa)) => {
                scratch.cfa = Some(cfa);
                scratch
                    .files
                    .push(WorkFile::write_plane(&places[k].1, &plane).map_err(work_error)?);
            }
            Err(reason) => scratch.refused.push((name.clone(), reason)),
        }
        Ok(())
    })?;
    Ok(scratch)
}

/// Only undemosaiced frames of one size can calibrate.
fn usable(frame: Frame, scratch: &Scratch) -> Result<(Plane, Cfa), String> {
    let Pixels::Mosaic(mosaic) = frame.pixels else {
        return Err("it is not raw: only undemosaiced calibration frames can be used".into());
    };
    let size = (mosaic.plane.width(), mosaic.plane.height());
    match scratch.files.first().map(|f| (f.width(), f.height())) {
        Some(first) if first != size => Err(format!(
            "it is {} × {} pixels and the others of its kind are {} × {}",
            size.0, size.1, first.0, first.1
        )),
        _ => Ok((mosaic.plane, mosaic.cfa)),
    }
}

fn combine(files: &[WorkFile], role: Role, cfa: Cfa) -> Result<Plane, BuildError> {
    let sources: Vec<&dyn Source> = files.iter().map(|f| f as &dyn Source).collect();
    let normalise = if role == Role::Flat {
        Normalise::PerFilter(cfa)
    } else {
        Normalise::No
    };
    let settings = MasterSettings {
        normalise,
        ..MasterSettings::default()
    };
    let made = master(&sources, &settings).map_err(|e| BuildError::Internal { what: e.to_string() })?;
    Ok(if role == Role::Flat {
        brightest_to_one(flat_from_master(&made.plane, None, cfa))
    } else {
        made.plane
    })
}

/// A flat scaled so that its brightest part is 1: a calibrated frame's 1.0 stays the sensor's
/// saturation there, and is never lowered elsewhere. The brightest part is that of block means, which
/// noise and single hot pixels hardly move.
fn brightest_to_one(mut flat: Plane) -> Plane {
    const BLOCK: usize = 64;
    let (width, height) = (flat.width(), flat.height());
    let (w, h) = (BLOCK.min(width.max(1)), BLOCK.min(height.max(1)));
    let mean = |x0: usize, y0: usize| {
        let rows = (y0..y0 + h).flat_map(|y| &flat.row(y)[x0..x0 + w]);
        rows.map(|v| f64::from(*v)).sum::<f64>() / (w * h) as f64
    };
    let blocks = (0..height / h).flat_map(|j| (0..width / w).map(move |i| (i * w, j * h)));
    let brightest = blocks.map(|(x, y)| mean(x, y)).fold(0.0, f64::max);
    if brightest > 0.0 {
        flat.data_mut()
            .iter_mut()
            .for_each(|v| *v = (f64::from(*v) / brightest) as f32);
    }
    flat
}

fn work_error(error: nightloom_raster::WorkFileError) -> BuildError {
    BuildError::Internal {
        what: error.to_string(),
    }
}

impl Masters {
    /// Loads what serves frames taken like `meta`, of `size` pixels.
    pub(super) fn load(&self, meta: &FrameMeta) -> Result<Loaded, BuildError> {
        let mut loaded = Loaded {
            hot_from_frame: true,
            ..Loaded::default()
        };
        let mut said = Vec::new();
        if let Some(bias) = self.biases.first() {
            loaded.calibration.bias = Some(bias.plane()?);
            loaded.keys.push(bias.key);
            said.push("bias");
        }
        if let Some(dark) = self.nearest_dark(meta) {
            let plane = dark.plane()?;
            loaded.calibration.hot = find_hot_pixels(&plane, &HotSettings::default());
            loaded.hot_from_frame = false;
            loaded.keys.push(dark.key);
            let same = near(dark.about.exposure_s, meta.exposure_s) && near(dark.about.iso, meta.iso);
            let scalable = loaded.calibration.bias.is_some() && near(dark.about.iso, meta.iso);
            if same || scalable {
                loaded.calibration.dark = Some(Dark {
                    plane,
                    exposure_s: dark.about.exposure_s,
                });
                said.push("dark");
            } else {
                // A dark of another exposure would add its own level; its hot pixels are the same.
                said.push("hot pixels known from darks of another exposure");
                loaded.hot_from_frame = true;
            }
        }
        let flat = self
            .flats
            .iter()
            .find(|f| near(f.about.f_number, meta.f_number))
            .or(self.flats.first());
        if let Some(flat) = flat {
            loaded.calibration.flat = Some(flat.plane()?);
            loaded.keys.push(flat.key);
            said.push("flat");
        }
        loaded.said = if said.is_empty() {
            "no calibration frames".into()
        } else {
            said.join(", ")
        };
        Ok(loaded)
    }

    fn nearest_dark(&self, meta: &FrameMeta) -> Option<&MasterFile> {
        let away = |m: &MasterFile| {
            let ratio = |a: Option<f64>, b: Option<f64>| a.zip(b).map_or(9.0, |(a, b)| (a / b).ln().abs());
            ratio(m.about.iso, meta.iso) * 4.0 + ratio(m.about.exposure_s, meta.exposure_s)
        };
        self.darks.iter().min_by(|a, b| away(a).total_cmp(&away(b)))
    }
}

impl MasterFile {
    fn plane(&self) -> Result<Plane, BuildError> {
        WorkFile::open(&self.path)
            .and_then(|f| f.read_plane(0))
            .map_err(work_error)
    }
}

#[cfg(test)]
mod tests {
    use super::{Plane, near};

    #[test]
    fn the_brightest_part_of_a_flat_becomes_one() {
        let flat = Plane::from_fn(256, 128, |x, _| if x < 64 { 1.5 } else { 0.8 });
        let scaled = super::brightest_to_one(flat);
        assert!((scaled.at(10, 10) - 1.0).abs() < 1e-6 && (scaled.at(200, 100) - 0.8 / 1.5).abs() < 1e-6);
    }

    #[test]
    fn settings_count_as_the_same_within_three_per_cent() {
        assert!(near(Some(90.0), Some(91.0)) && !near(Some(90.0), Some(120.0)));
        assert!(near(None, None) && !near(None, Some(1.0)));
    }
}
