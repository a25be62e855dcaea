//! Master darks, flats and bias of an outing.
//!
//! Frames of one setting make one master; which master serves a frame is decided in
//! [`fitting`](super::fitting).

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use nightloom_outing::{Digest, Role, Settings};
use nightloom_raster::{Cfa, DecodeError, Frame, Plane, WorkFile, WorkFileError};
use nightloom_stack::{MasterSettings, Normalise, Source, flat_from_master, master, median_of};
use serde::{Deserialize, Serialize};

use super::ahead::each_beside;
use super::inventory::{Item, options_of};
use super::setting::Setting;
use nightloom_journal::{Bench, BuildError, StepKey};

/// A flat whose median is above this, or of which more than the share below is at saturation, is burnt out;
/// one whose median is below the last is black (common practice: expose to a third or half).
const FLAT_BRIGHTEST: f32 = 0.9;
const FLAT_CLIPPED: f64 = 0.01;
const FLAT_DARKEST: f32 = 0.01;
/// A pixel at this part of saturation is clipped.
const AT_SATURATION: f32 = 0.98;

/// One master frame on disk.
#[derive(Clone, Debug)]
pub(super) struct MasterFile {
    path: PathBuf,
    /// The frames it was made of, among the outing's items.
    members: Vec<usize>,
    pub(super) key: Digest,
    pub(super) about: MasterFacts,
}

/// What the journal keeps of a master.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub(super) struct MasterFacts {
    pub(super) setting: Setting,
    pub(super) frames: usize,
    pub(super) size: (usize, usize),
    cfa: Cfa,
    /// Frames that could not serve, by content, with the reason.
    refused: Vec<(Digest, String)>,
}

/// All masters of an outing, those of one role in the order of their content.
#[derive(Clone, Debug, Default)]
pub(super) struct Masters {
    pub(super) darks: Vec<MasterFile>,
    pub(super) flats: Vec<MasterFile>,
    pub(super) biases: Vec<MasterFile>,
    /// Keys of those that served a frame.
    pub(super) used: BTreeSet<Digest>,
}

/// Makes the masters that the calibration frames allow.
pub(super) fn masters(
    bench: &mut Bench<'_>,
    settings: &Settings,
    items: &mut [Item],
) -> Result<Masters, BuildError> {
    let biases = of_role(bench, settings, items, Role::Bias, |a, b| {
        a.same_camera(b) && a.same_iso(b)
    })?;
    let darks = of_role(bench, settings, items, Role::Dark, |a, b| {
        a.same_camera(b) && a.same_iso(b) && a.same_exposure(b)
    })?;
    let flats = of_role(bench, settings, items, Role::Flat, Setting::same_optics)?;
    Ok(Masters {
        darks,
        flats,
        biases,
        used: BTreeSet::new(),
    })
}

/// One master per group of frames taken with the same settings.
fn of_role(
    bench: &mut Bench<'_>,
    settings: &Settings,
    items: &mut [Item],
    role: Role,
    alike: impl Fn(&Setting, &Setting) -> bool,
) -> Result<Vec<MasterFile>, BuildError> {
    let mut serving: Vec<usize> = (0..items.len()).filter(|&i| items[i].serves(role)).collect();
    // By content: what a file is called decides nothing, and the sums come out the same.
    serving.sort_by_key(|&i| items[i].hash);
    let mut groups: Vec<(Setting, Vec<usize>)> = Vec::new();
    for i in serving {
        let setting = Setting::of(&items[i].facts.meta);
        match groups.iter_mut().find(|g| alike(&g.0, &setting)) {
            Some(group) => group.1.push(i),
            None => groups.push((setting, vec![i])),
        }
    }
    let mut made = Vec::new();
    for (setting, group) in groups {
        let file = one_master(bench, settings, items, role, &setting, group)?;
        for (hash, reason) in &file.about.refused {
            if let Some(&item) = file.members.iter().find(|&&i| items[i].hash == Some(*hash)) {
                items[item].out = Some(reason.clone());
            }
        }
        made.extend(Some(file).filter(|f| f.about.frames > 0));
    }
    Ok(made)
}

/// The master of a group. Frames that fail for a reason that may pass are not in it, and its key is that of the others:
/// nothing is kept under a key that names a frame it does not hold.
fn one_master(
    bench: &mut Bench<'_>,
    settings: &Settings,
    items: &mut [Item],
    role: Role,
    setting: &Setting,
    mut group: Vec<usize>,
) -> Result<MasterFile, BuildError> {
    loop {
        let before = group.len();
        let made = master_of(bench, settings, items, role, setting, &group)?;
        group.retain(|&i| !items[i].passing);
        if group.len() == before {
            return Ok(made);
        }
    }
}

fn master_of(
    bench: &mut Bench<'_>,
    settings: &Settings,
    items: &mut [Item],
    role: Role,
    setting: &Setting,
    group: &[usize],
) -> Result<MasterFile, BuildError> {
    let step = format!("master-{role}");
    let frames = group
        .iter()
        .filter_map(|&i| Some((items[i].hash?, options_of(settings, &items[i]))));
    let key = frames
        .fold(StepKey::new(&step, 8), |key, (hash, options)| {
            key.input("frame", hash).settings(&options)
        })
        .finish();
    let (name, path) = bench.work_file(&step, key, "plane")?;
    if let Some(about) = bench.kept::<MasterFacts>(&step, key) {
        return Ok(MasterFile {
            path,
            members: group.to_vec(),
            key,
            about,
        });
    }
    let scratch = gather(bench, settings, items, role, group)?;
    let about = MasterFacts {
        setting: setting.clone(),
        frames: scratch.files.len(),
        size: scratch.files.first().map_or((0, 0), |f| (f.width(), f.height())),
        cfa: scratch.cfa.unwrap_or(Cfa::RGGB),
        refused: scratch.refused,
    };
    let passing = group.iter().any(|&i| items[i].passing);
    let mut outputs = vec![];
    if !scratch.files.is_empty() && !passing {
        let plane = combine(&scratch.files, role, about.cfa)?;
        WorkFile::write_plane(&path, &plane)?;
        outputs.push(name.as_str());
    }
    for file in &scratch.files {
        // Scratch that stays behind is removed with the other unused work files.
        let _ = std::fs::remove_file(file.path());
    }
    if !passing {
        bench.done(&step, key, &outputs, &about)?;
    }
    Ok(MasterFile {
        path,
        members: group.to_vec(),
        key,
        about,
    })
}

#[derive(Default)]
struct Scratch {
    files: Vec<WorkFile>,
    cfa: Option<Cfa>,
    /// Hashes of their pixels.
    seen: BTreeSet<[u8; 32]>,
    refused: Vec<(Digest, String)>,
}

/// Decodes the frames of a group into scratch files.
fn gather(
    bench: &mut Bench<'_>,
    settings: &Settings,
    items: &mut [Item],
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
    let paths: Vec<PathBuf> = group.iter().map(|&i| items[i].path.clone()).collect();
    let paths: Vec<&Path> = paths.iter().map(PathBuf::as_path).collect();
    let (world, hashes) = (bench.world, bench.journal.hashes());
    let (mut scratch, stage) = (Scratch::default(), format!("Reading {role} frames"));
    let options: Vec<_> = group.iter().map(|&i| options_of(settings, &items[i])).collect();
    bench.show(&stage, 0.0, "")?;
    let read = |k: usize, frame: Result<Frame, DecodeError>| {
        let frame = frame.map_err(Refused::Undecoded)?;
        let content = frame.pixels.content_hash();
        let (plane, cfa) = usable(frame, role).map_err(Refused::Unfit)?;
        let file = WorkFile::write_plane(&places[k].1, &plane).map_err(Refused::Unwritten)?;
        Ok((file, cfa, content))
    };
    each_beside(world, &hashes, &paths, &options, read, |k, made| {
        let item = &mut items[group[k]];
        bench.show(&stage, (k + 1) as f64 / group.len() as f64, &item.name)?;
        let refused = match made {
            Ok((file, cfa, content)) => match scratch.against(&file, content) {
                None => {
                    scratch.cfa = Some(cfa);
                    scratch.files.push(file);
                    return Ok(());
                }
                Some(reason) => {
                    // What stays behind is removed with the other unused work files.
                    let _ = std::fs::remove_file(file.path());
                    reason
                }
            },
            Err(Refused::Undecoded(error)) if error.may_pass() => {
                item.fail(&error);
                return Ok(());
            }
            Err(Refused::Undecoded(error)) => error.to_string(),
            Err(Refused::Unfit(reason)) => reason,
            Err(Refused::Unwritten(error)) => return Err(error.into()),
        };
        scratch.refused.extend(item.hash.map(|hash| (hash, refused)));
        Ok(())
    })?;
    Ok(scratch)
}

/// Why a frame did not become a scratch file.
enum Refused {
    Undecoded(DecodeError),
    Unfit(String),
    Unwritten(WorkFileError),
}

impl Scratch {
    /// What speaks against a frame beside those before it.
    fn against(&mut self, file: &WorkFile, content: [u8; 32]) -> Option<String> {
        let size = (file.width(), file.height());
        let first = self.files.first().map_or(size, |f| (f.width(), f.height()));
        if first != size {
            return Some(format!(
                "it is {} × {} pixels and the others of its kind are {} × {}",
                size.0, size.1, first.0, first.1
            ));
        }
        let new = self.seen.insert(content);
        (!new).then(|| "its pixels are those of another frame, and count once".to_owned())
    }
}

/// Only undemosaiced frames can calibrate, and only flats that show light.
fn usable(frame: Frame, role: Role) -> Result<(Plane, Cfa), String> {
    let unmixed = frame.pixels.unmixed(frame.was_linear);
    let mosaic = unmixed.map_err(|_| "it is not raw: only undemosaiced calibration frames can be used")?;
    if role == Role::Flat {
        lit(&mosaic.plane)?;
    }
    Ok((mosaic.plane, mosaic.cfa))
}

/// Whether a flat shows the light that fell on it.
fn lit(flat: &Plane) -> Result<(), String> {
    let mut sample: Vec<f32> = flat.data().iter().copied().step_by(17).collect();
    let clipped = sample.iter().filter(|v| **v > AT_SATURATION).count() as f64 / sample.len().max(1) as f64;
    let median = median_of(&mut sample).unwrap_or(0.0);
    if median > FLAT_BRIGHTEST || clipped > FLAT_CLIPPED {
        return Err(format!(
            "the flat is burnt out: its median is {:.0} % of saturation and {:.1} % of its pixels are clipped; expose flats to a third or half",
            100.0 * median,
            100.0 * clipped
        ));
    }
    if median < FLAT_DARKEST {
        return Err(format!(
            "the flat is black: its median is {:.2} % of saturation; expose flats to a third or half",
            100.0 * median
        ));
    }
    Ok(())
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
    let made = master(&sources, &settings).map_err(BuildError::internal)?;
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

impl Masters {
    /// Tells which masters served no frame; their frames are left out.
    pub(super) fn tell_unused(&self, bench: &mut Bench<'_>, items: &mut [Item]) {
        for (masters, what) in [
            (&self.darks, "dark"),
            (&self.flats, "flat"),
            (&self.biases, "bias frame"),
        ] {
            for master in masters.iter().filter(|m| !self.used.contains(&m.key)) {
                let setting = &master.about.setting;
                let words = if what == "flat" {
                    setting.optics_words()
                } else {
                    setting.dark_words()
                };
                let reason = format!("not used: no sky or land frame is of its setting ({words})");
                for &i in &master.members {
                    items[i].out.get_or_insert_with(|| reason.clone());
                }
                bench.warn_once(&format!(
                    "{} {what}{} of {words} served no frame: no sky or land frame is of that setting.",
                    master.about.frames,
                    if master.about.frames == 1 { "" } else { "s" }
                ));
            }
        }
    }
}

impl MasterFile {
    pub(super) fn plane(&self) -> Result<Plane, BuildError> {
        Ok(WorkFile::open(&self.path)?.read_plane(0)?)
    }
}

#[cfg(test)]
mod tests {
    use super::{Plane, lit};

    #[test]
    fn the_brightest_part_of_a_flat_becomes_one() {
        let flat = Plane::from_fn(256, 128, |x, _| if x < 64 { 1.5 } else { 0.8 });
        let scaled = super::brightest_to_one(flat);
        assert!((scaled.at(10, 10) - 1.0).abs() < 1e-6 && (scaled.at(200, 100) - 0.8 / 1.5).abs() < 1e-6);
    }

    #[test]
    fn burnt_out_and_black_flats_are_told() {
        let flat = |level: f32| lit(&Plane::filled(64, 64, level));
        assert!(flat(0.4).is_ok());
        assert!(flat(0.95).is_err_and(|why| why.contains("burnt out")));
        assert!(flat(0.002).is_err_and(|why| why.contains("black")));
    }
}
