//! One frame at a time: calibrated, demosaiced, measured, laid by in a work file.

use std::path::{Path, PathBuf};

use nightloom_raster::{
    CameraColour, DecodeError, Directions, Frame, FrameMeta, Mosaic, Pixels, Plane, Rgb, WorkFile,
    demosaic_sky, demosaic_with,
};
use nightloom_stack::{Clipped, PixelNoise, Radial, frame_noise, whiten_clipped};
use nightloom_stars::{DetectSettings, Field, Trails, measure};
use serde::{Deserialize, Serialize};

use super::ahead::each_beside;
use super::fitting::{Loaded, ShownHot, shown_hot};
use super::inventory::{Item, options_of};
use super::light::thumbnail;
use super::masters::Masters;
use super::setting::Setting;
use nightloom_journal::{Bench, BuildError, Output, StepKey};
use nightloom_outing::{Digest, Role, Settings, hash_bytes};

/// Version of the step; raise it when the same input would give other pixels or figures.
const VERSION: u32 = 9;

/// A frame ready to be stacked.
#[derive(Clone, Debug)]
pub(super) struct Prepared {
    /// Index among the outing's items.
    pub(super) item: usize,
    /// Linear camera RGB in a work file.
    pub(super) work: PathBuf,
    /// Its thumbnail, JPEG.
    pub(super) thumb: PathBuf,
    /// Identity of what it holds.
    pub(super) key: Digest,
    /// What was measured.
    pub(super) facts: PreparedFacts,
}

/// The prepared frames of a role.
pub(super) struct Ready {
    pub(super) frames: Vec<Prepared>,
    /// What does not fit the frames of each setting, in sentences.
    pub(super) misfits: Vec<(Setting, Vec<String>)>,
}

/// What is measured of a frame while it is prepared.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct PreparedFacts {
    /// Hash of its pixels, before anything was done to them.
    pub(super) pixels: Digest,
    /// What the file says.
    pub(super) meta: FrameMeta,
    /// How its numbers become colour.
    pub(super) colour: CameraColour,
    /// Bits per sample in the file.
    pub(super) bits: u8,
    /// Whether the file held linear values.
    pub(super) was_linear: bool,
    /// Stars, background, land.
    pub(super) field: Field,
    /// Median sky level per channel, camera RGB.
    pub(super) sky_level: [f32; 3],
    /// What it was calibrated with.
    pub(super) calibrated: String,
    /// Whether it was divided by a flat.
    pub(super) flat: bool,
    /// Noise of its pixels before demosaicing, in parts of saturation; `None` where it is not raw.
    pub(super) noise: Option<PixelNoise>,
    /// Where it is saturated.
    pub(super) clipped: Clipped,
}

impl PreparedFacts {
    /// How it was taken.
    pub(super) fn setting(&self) -> Setting {
        Setting::of(&self.meta)
    }
}

/// Prepares every frame of a role, those of one setting together, with the masters of that setting. A frame
/// that fails is left out with the reason. They come in the order of taking, and of content where that is not
/// told: what files are called decides nothing.
pub(super) fn prepare(
    bench: &mut Bench<'_>,
    settings: &Settings,
    items: &mut [Item],
    masters: &mut Masters,
    role: Role,
) -> Result<Ready, BuildError> {
    let mut serving: Vec<usize> = (0..items.len()).filter(|&i| items[i].serves(role)).collect();
    serving.sort_by_key(|&i| items[i].hash);
    let mut groups: Vec<(Setting, Vec<usize>)> = Vec::new();
    for &i in &serving {
        let setting = Setting::of(&items[i].facts.meta);
        match groups.iter_mut().find(|g| g.0.same(&setting)) {
            Some(group) => group.1.push(i),
            None => groups.push((setting, vec![i])),
        }
    }
    let (mut ready, mut misfits) = (Vec::new(), Vec::new());
    for (k, (setting, group)) in groups.iter().enumerate() {
        let shown = if masters.darks.iter().any(|d| d.about.setting.same_camera(setting)) {
            ShownHot::default()
        } else {
            shown_hot(bench, settings, items, setting)?
        };
        let loaded = masters.load(setting, role, &shown)?;
        masters.used.extend(&loaded.keys);
        misfits.push((setting.clone(), loaded.misfits.clone()));
        let done = (k as f64 / groups.len() as f64, 1.0 / groups.len() as f64);
        ready.extend(group_of_one_setting(
            bench, settings, items, role, &loaded, group, done,
        )?);
    }
    ready.sort_by(|a: &Prepared, b| {
        let order = |p: &Prepared| (p.facts.meta.taken_local.clone(), p.key);
        order(a).cmp(&order(b))
    });
    let ready = different(items, ready);
    Ok(Ready {
        frames: same_size(items, ready),
        misfits,
    })
}

fn group_of_one_setting(
    bench: &mut Bench<'_>,
    settings: &Settings,
    items: &mut [Item],
    role: Role,
    loaded: &Loaded,
    group: &[usize],
    (before, share): (f64, f64),
) -> Result<Vec<Prepared>, BuildError> {
    let mut ready = Vec::new();
    let mut open = Vec::new();
    for &i in group {
        let slot = slot(bench, settings, items, i, role, loaded)?;
        match facts_of(bench, "prepare", &slot) {
            Some(facts) => ready.push(slot.prepared(facts)),
            None => open.push(slot),
        }
    }
    let paths: Vec<PathBuf> = open.iter().map(|s| items[s.item].path.clone()).collect();
    let paths: Vec<&Path> = paths.iter().map(PathBuf::as_path).collect();
    let stage = format!("Calibrating and measuring {role} frames");
    let options: Vec<_> = open
        .iter()
        .map(|s| options_of(settings, &items[s.item]))
        .collect();
    let (world, hashes) = (bench.world, bench.journal.hashes());
    if !open.is_empty() {
        bench.show(&stage, before, "")?;
    }
    let work = |k: usize, frame: Result<Frame, DecodeError>| {
        let (picture, facts) = develop(frame.map_err(Left::Undecoded)?, loaded, role).map_err(Left::Unfit)?;
        let outputs = lay_out(&open[k], &picture, &facts).map_err(Left::Unwritten)?;
        Ok((facts, outputs))
    };
    each_beside(world, &hashes, &paths, &options, work, |k, made| {
        let slot = &open[k];
        let item = &mut items[slot.item];
        bench.show(
            &stage,
            before + share * (k + 1) as f64 / paths.len() as f64,
            &item.name,
        )?;
        match made {
            Ok((facts, outputs)) => {
                bench.done_with("prepare", slot.key, outputs, &serde_json::Value::Null)?;
                ready.push(slot.prepared(facts));
            }
            Err(Left::Undecoded(error)) => item.fail(&error),
            Err(Left::Unfit(reason)) => item.out = Some(reason),
            Err(Left::Unwritten(error)) => return Err(error),
        }
        Ok(())
    })?;
    Ok(ready)
}

/// Why a frame did not become a work file.
enum Left {
    Undecoded(DecodeError),
    Unfit(String),
    Unwritten(BuildError),
}

/// Where a frame's results go.
struct Slot {
    item: usize,
    key: Digest,
    names: [String; 3],
    paths: [PathBuf; 3],
}

impl Slot {
    fn prepared(&self, facts: PreparedFacts) -> Prepared {
        let [work, thumb, _] = self.paths.clone();
        Prepared {
            item: self.item,
            work,
            thumb,
            key: self.key,
            facts,
        }
    }
}

fn slot(
    bench: &mut Bench<'_>,
    settings: &Settings,
    items: &[Item],
    i: usize,
    role: Role,
    loaded: &Loaded,
) -> Result<Slot, BuildError> {
    let mut key = StepKey::new("prepare", VERSION).settings(&(role, options_of(settings, &items[i])));
    if let Some(hash) = items[i].hash {
        key = key.input("frame", hash);
    }
    let key = loaded
        .keys
        .iter()
        .fold(key, |key, &k| key.input("master", k))
        .finish();
    slot_of(bench, i, key)
}

fn slot_of(bench: &mut Bench<'_>, item: usize, key: Digest) -> Result<Slot, BuildError> {
    let files = ["work", "jpg", "json"].map(|ending| bench.work_file("frame", key, ending));
    let [a, b, c] = files;
    let (a, b, c) = (a?, b?, c?);
    Ok(Slot {
        item,
        key,
        names: [a.0, b.0, c.0],
        paths: [a.1, b.1, c.1],
    })
}

fn facts_of(bench: &mut Bench<'_>, step: &str, slot: &Slot) -> Option<PreparedFacts> {
    let entry = bench.journal.fresh(step, slot.key)?;
    let expected = entry.outputs.iter().find(|o| o.path == slot.names[2])?.hash;
    let text = std::fs::read(&slot.paths[2]).ok()?;
    if hash_bytes(&text) != expected {
        return None;
    }
    let facts = serde_json::from_slice(&text).ok()?;
    bench.steps.kept += 1;
    Some(facts)
}

/// Writes a frame's files; what they are, for the journal.
fn lay_out(slot: &Slot, picture: &Rgb, facts: &PreparedFacts) -> Result<Vec<Output>, BuildError> {
    let work = WorkFile::write_rgb(&slot.paths[0], picture)?;
    let thumb = thumbnail(picture, &facts.colour).unwrap_or_default();
    let text = serde_json::to_vec(facts).map_err(BuildError::internal)?;
    let small = [(1, thumb), (2, text)].map(|(k, bytes)| {
        write(&slot.paths[k], &bytes)?;
        Ok::<_, BuildError>(Output {
            path: slot.names[k].clone(),
            hash: hash_bytes(&bytes),
            bytes: bytes.len() as u64,
        })
    });
    let [thumb, text] = small;
    let work = Output {
        path: slot.names[0].clone(),
        hash: Digest::from_bytes(work.identity()),
        bytes: work.bytes(),
    };
    Ok(vec![work, thumb?, text?])
}

fn write(path: &Path, bytes: &[u8]) -> Result<(), BuildError> {
    nightloom_raster::atomic::write_checked(path, |file| std::io::Write::write_all(file, bytes))
        .map_err(|e| BuildError::write(path, &e))
}

/// From a decoded frame to linear camera RGB and what is measured in it.
fn develop(frame: Frame, loaded: &Loaded, role: Role) -> Result<(Rgb, PreparedFacts), String> {
    let Frame {
        pixels,
        colour,
        meta,
        bits,
        was_linear,
        levels: _,
    } = frame;
    let content = Digest::from_bytes(pixels.content_hash());
    let calibrated;
    let (mut noise, mut clipped, mut flat) = (None, Clipped::default(), false);
    let picture = match pixels.unmixed(was_linear) {
        Ok(upright) => {
            // Masters lie as the sensor does.
            let turned = meta.orientation.filter(|o| *o != 1);
            let mut mosaic = match turned {
                Some(o) => upright.turned_back(o),
                None => upright,
            };
            calibrated = loaded.apply(&mut mosaic)?;
            let lying = (mosaic.plane.width(), mosaic.plane.height());
            if let Some(o) = turned {
                mosaic = mosaic.turned(o);
            }
            noise = frame_noise(&mosaic);
            let mut picture = match role {
                Role::Sky => demosaic_sky(&mosaic, colour.white_balance, &|level| {
                    noise.map_or(f32::INFINITY, |n| n.variance(level).sqrt())
                }),
                _ => demosaic_with(&mosaic, colour.white_balance, Directions::Weighted),
            };
            let own_flat = loaded.flat_for(lying);
            flat = own_flat.is_some();
            let upright = turned.and_then(|o| own_flat.map(|f| f.turned(o)));
            clipped = whiten_clipped(&mut picture, colour.white_balance, upright.as_ref().or(own_flat));
            picture
        }
        Err(Pixels::Rgb(picture)) => {
            calibrated = "not calibrated: it is not raw".into();
            picture
        }
        Err(Pixels::Grey(plane) | Pixels::Mosaic(Mosaic { plane, .. })) => {
            calibrated = "one channel without colour, not calibrated".into();
            Rgb::from_planes([plane.clone(), plane.clone(), plane])
        }
    };
    let field = measure(&picture.brightness(), &detect_settings(role));
    let sky_level = sky_level(&picture, &field);
    Ok((
        picture,
        PreparedFacts {
            pixels: content,
            meta,
            colour,
            bits,
            was_linear,
            field,
            sky_level,
            calibrated,
            flat,
            noise,
            clipped,
        },
    ))
}

/// A prepared frame with a fall-off divided out, measured anew.
pub(super) fn evened(
    bench: &mut Bench<'_>,
    frame: &Prepared,
    fall_off: &Radial,
    role: Role,
) -> Result<Prepared, BuildError> {
    let key = StepKey::new("evened", 2)
        .input("frame", frame.key)
        .settings(&(fall_off, role))
        .finish();
    let slot = slot_of(bench, frame.item, key)?;
    if let Some(facts) = facts_of(bench, "evened", &slot) {
        return Ok(slot.prepared(facts));
    }
    let mut picture = WorkFile::open(&frame.work)?.read_rgb()?;
    fall_off.divide(&mut picture);
    let field = measure(&picture.brightness(), &detect_settings(role));
    let facts = PreparedFacts {
        sky_level: sky_level(&picture, &field),
        field,
        calibrated: format!("{}; fall-off told by the stars", frame.facts.calibrated),
        ..frame.facts.clone()
    };
    let outputs = lay_out(&slot, &picture, &facts)?;
    bench.done_with("evened", key, outputs, &serde_json::Value::Null)?;
    Ok(slot.prepared(facts))
}

fn detect_settings(role: Role) -> DetectSettings {
    DetectSettings {
        trails: if role == Role::Land {
            Trails::Yes
        } else {
            Trails::Auto
        },
        ..DetectSettings::default()
    }
}

/// Median level per channel over the cells without land.
fn sky_level(picture: &Rgb, field: &Field) -> [f32; 3] {
    picture
        .planes()
        .each_ref()
        .map(|plane| median_of_sky(plane, field))
}

fn median_of_sky(plane: &Plane, field: &Field) -> f32 {
    // A pixel in some dozens is plenty for a median and spares sorting millions.
    let step = (plane.width() / 400).max(1);
    let mut values = Vec::new();
    for y in (0..plane.height()).step_by(step) {
        values.extend(
            plane
                .row(y)
                .iter()
                .enumerate()
                .step_by(step)
                .filter(|(x, v)| v.is_finite() && !field.land.is_land(*x as f64, y as f64))
                .map(|(_, v)| *v),
        );
    }
    if values.is_empty() {
        return 0.0;
    }
    let middle = values.len() / 2;
    *values.select_nth_unstable_by(middle, f32::total_cmp).1
}

/// Keeps one of those that have the same pixels, whatever else their files say.
fn different(items: &mut [Item], ready: Vec<Prepared>) -> Vec<Prepared> {
    let mut kept: Vec<Prepared> = Vec::with_capacity(ready.len());
    for p in ready {
        match kept.iter().find(|k| k.facts.pixels == p.facts.pixels) {
            None => kept.push(p),
            Some(same) => {
                let name = items[same.item].name.clone();
                items[p.item].out = Some(format!("its pixels are those of “{name}”, and count once"));
            }
        }
    }
    kept
}

/// Keeps the frames of the commonest size.
fn same_size(items: &mut [Item], ready: Vec<Prepared>) -> Vec<Prepared> {
    let size = |p: &Prepared| (p.facts.field.width, p.facts.field.height);
    let count = |s: (usize, usize)| ready.iter().filter(|p| size(p) == s).count();
    let Some(common) = ready.iter().map(size).max_by_key(|&s| (count(s), s)) else {
        return ready;
    };
    let (keep, odd): (Vec<_>, Vec<_>) = ready.into_iter().partition(|p| size(p) == common);
    for p in odd {
        let (width, height) = size(&p);
        items[p.item].out = Some(format!(
            "it is {width} × {height} pixels and most frames of its role are {} × {}",
            common.0, common.1
        ));
    }
    keep
}
