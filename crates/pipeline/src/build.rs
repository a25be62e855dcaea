//! The pipeline: from a folder of frames to one layered picture.
//!
//! Inventory → masters → each frame calibrated, demosaiced, measured → tracked frames registered,
//! judged, identified → land stack → matte → the sky placed over the land → sky stack → join →
//! finish → files and report. Every step that costs time leaves its result in a work file and an
//! entry in the journal; a step whose inputs and settings are unchanged is not done again.

use std::path::Path;

use nightloom_outing::{Digest, FilesSettings, PictureSettings, RESULTS, Role, Settings, World};
use nightloom_sky::Skyline;
use nightloom_stars::Verdict;

use crate::base::Base;
use crate::beforehand::site_skyline;
use crate::hints::LandHints;
use crate::inventory::Item;
use crate::land_choice::{self, Chosen, Light, Worth};
use crate::masters::Masters;
use crate::prepare::{Prepared, Ready};
use crate::report::BuildReport;
use crate::scene::Scene;
use crate::setting::Setting;
use crate::times::Times;
use crate::track::Tracked;
use crate::verdicts::write_page;
use crate::{fall_off, inventory, masters, prepare, results, track, units, versions};
use nightloom_journal::{Bench, BuildError, Journal, Output, StepKey};

/// Version of what follows the stacks; raise it when the same stacks would give other pictures.
const PICTURE_VERSION: u32 = 18;

/// Makes the picture of the outing in `folder`.
///
/// # Errors
/// See [`BuildError`]. A single bad frame is no error: it is left out and reported.
pub fn build(folder: &Path, settings: &Settings, world: &dyn World) -> Result<BuildReport, BuildError> {
    let started = world.seconds();
    let journal = Journal::open(folder, world.now())?;
    let mut bench = Bench::new(world, journal);
    let mut report = match build_once(&mut bench, folder, settings, started) {
        // What a work file holds is only looked at when it is read: one that is damaged is made again.
        Err(BuildError::Work(_) | BuildError::Read { .. } | BuildError::Internal { .. })
            if bench.remove_damaged() =>
        {
            bench.begin_again();
            build_once(&mut bench, folder, settings, started)
        }
        other => other,
    }
    .inspect_err(|_| results::clear(folder))?;
    report.steps = bench.steps;
    report.seconds = world.seconds() - started;
    report.peak_memory_mib = world.peak_memory_mib();
    Ok(report)
}

fn build_once(
    bench: &mut Bench<'_>,
    folder: &Path,
    settings: &Settings,
    started: f64,
) -> Result<BuildReport, BuildError> {
    bench.stage(0.0, 0.05)?;
    let mut items = inventory::inventory(bench, settings)?;
    let hints = match LandHints::read(folder) {
        Ok(hints) => hints,
        Err(error) => {
            bench.warn(format!("The hints for the edge were left out: {error}."));
            LandHints::default()
        }
    };
    let skyline = site_skyline(bench, folder, settings);
    let known = Known {
        hints: &hints,
        skyline: skyline.as_ref(),
    };
    let key = picture_key(settings, &items, &known);
    match bench.kept::<BuildReport>("picture", key) {
        // The folder may have been moved since.
        Some(report) => Ok(report.in_folder(&folder.join(RESULTS))),
        None => {
            let report = make(bench, settings, &mut items, &known, folder, key)?;
            let finished = (key, bench.world.now(), bench.world.seconds() - started);
            if let Err(error) = versions::keep(folder, &settings.picture, &report, finished) {
                bench.warn(format!(
                    "This picture could not be kept as a version ({error}); check the room left on the disk."
                ));
            }
            Ok(report)
        }
    }
}

/// The settings without those of the development and of the files, which the layers do not depend on.
fn undeveloped(settings: &Settings) -> Settings {
    let usual = PictureSettings::default();
    let picture = PictureSettings {
        white: settings.picture.white,
        grow: settings.picture.grow,
        crop: settings.picture.crop,
        ..usual
    };
    Settings {
        picture,
        files: FilesSettings::default(),
        ..settings.clone()
    }
}

/// What is known of the land beside its frames.
struct Known<'a> {
    hints: &'a LandHints,
    skyline: Option<&'a Skyline>,
}

/// The identity of the whole picture: every frame's content and role, all settings and hints.
fn picture_key(settings: &Settings, items: &[Item], known: &Known<'_>) -> Digest {
    let key = StepKey::new("picture", PICTURE_VERSION)
        .settings(&(settings, known.skyline))
        .input("hints", known.hints.version());
    let with = |key: StepKey, item: &Item| match item.hash {
        Some(hash) => key.input(&item.name, hash).settings(&item.decision),
        None => key.settings(&(&item.name, &item.out)),
    };
    items.iter().fold(key, with).finish()
}

fn make(
    bench: &mut Bench<'_>,
    settings: &Settings,
    items: &mut Vec<Item>,
    known: &Known<'_>,
    folder: &Path,
    key: Digest,
) -> Result<BuildReport, BuildError> {
    let results = results::begin(folder)?;
    let layers_key = picture_key(&undeveloped(settings), items, known);
    if let Some((base, layers)) = Base::kept(bench, folder, layers_key, settings.picture.level_deg)? {
        let report = base.developed(bench, settings, items, &layers, &results)?;
        return Ok(delivered(bench, folder, key, report)?.0);
    }
    let said = bench.warnings.len();
    bench.stage(0.05, 0.15)?;
    let mut masters = masters::masters(bench, settings, items)?;
    bench.stage(0.15, 0.42)?;
    let sky_ready = sky_frames(bench, settings, items, &mut masters)?;
    bench.stage(0.42, 0.52)?;
    let land_ready = prepare::prepare(bench, settings, items, &mut masters, Role::Land)?;
    masters.tell_unused(bench, items);
    tell_settings(bench, items, &land_ready, Role::Land, &[]);
    let mut land_frames = land_ready.frames;
    let mut sky_frames = sky_ready.frames.clone();
    bench.stage(0.52, 0.56)?;
    let times = Times::read(bench, settings, items, &sky_frames, &land_frames);
    refuse_foreign_instant(settings, &times)?;
    let all: Vec<Setting> = sky_frames
        .iter()
        .chain(&land_frames)
        .map(|f| f.facts.setting())
        .collect();
    let mut told = units::told(&all);
    let land_told = told.split_off(sky_frames.len());
    let mut tracked = track::track(bench, settings, items, &sky_frames, &times, &told)?;
    if let Some(fall_off) = fall_off::by_stars(bench, &sky_frames, &tracked, &times) {
        land_frames = fall_off::even(bench, land_frames, &sky_frames, &fall_off, Role::Land)?;
        sky_frames = fall_off::even(bench, sky_frames.clone(), &sky_frames, &fall_off, Role::Sky)?;
        tracked = track::track(bench, settings, items, &sky_frames, &times, &told)?;
    }
    refuse_if_all_bad(&tracked)?;
    tell_settings(bench, items, &sky_ready, Role::Sky, &tracked.verdicts);
    let unit = units::common(tracked.used().map(|i| tracked.units[i]));
    let land_units = land_units(&land_told);
    let lights = land_choice::lights(&land_frames, &land_units, &times, tracked.site.as_ref());
    // Layers without a frame that may be there the next time are no other build's.
    let away: Vec<&str> = items
        .iter()
        .filter(|i| i.passing)
        .map(|i| i.name.as_str())
        .collect();
    let own_key = match away.is_empty() {
        true => layers_key,
        false => StepKey::new("incomplete", 1)
            .input("layers", layers_key)
            .settings(&away)
            .finish(),
    };
    let scene = Scene {
        settings,
        items,
        hints: known.hints,
        skyline: known.skyline,
        sky_frames: &sky_frames,
        land_frames: &land_frames,
        times: &times,
        tracked: &tracked,
        unit,
        one_scale: one_scale(&sky_frames, &land_frames, &told, &land_told),
        land: land_choice(
            &land_frames,
            Worth {
                units: &land_units,
                told: &land_told,
                unit,
                sky: &sky_frames,
            },
            settings,
            &lights,
        )?,
        layers_key: own_key,
    };
    let made = scene.picture(bench, &results)?;
    bench.stage(0.97, 1.0)?;
    let (report, shows) = scene.report(bench, made);
    write_page(bench, settings, items, &report, shows.clone())?;
    let (told, outputs) = delivered(bench, folder, key, report)?;
    if told.incomplete.is_empty() {
        Base::keep(
            bench,
            layers_key,
            (&told, shows),
            said,
            (&outputs, settings.picture.level_deg),
        )?;
    }
    bench.tidy();
    Ok(told)
}

/// Brings the results in and puts the picture into the journal.
fn delivered(
    bench: &mut Bench<'_>,
    folder: &Path,
    key: Digest,
    report: BuildReport,
) -> Result<(BuildReport, Vec<Output>), BuildError> {
    bench.stage(0.97, 1.0)?;
    let report = report.in_folder(&folder.join(RESULTS));
    bench.show("Bringing the results in", 0.9, "")?;
    let (kept_beside, outputs) = results::bring_in(bench, folder, &report.outputs.names(), key)?;
    let mut report = tell_incomplete(bench, report);
    if report.incomplete.is_empty() {
        bench.done_with("picture", key, outputs.clone(), &report)?;
    }
    bench.tidy();
    report.warnings.extend(kept_beside);
    Ok((report, outputs))
}

/// Says that the picture is not what its frames make.
fn tell_incomplete(bench: &mut Bench<'_>, mut report: BuildReport) -> BuildReport {
    if let Some(first) = report.incomplete.first() {
        let more = match report.incomplete.len() {
            1 => String::new(),
            n => format!(" and {} more", n - 1),
        };
        let told = format!(
            "The picture is incomplete: “{first}”{more} could not be read this time, for a reason that may pass. Build again, and it is tried again."
        );
        bench.warn(told.clone());
        report.warnings.push(told);
    }
    report
}

fn sky_frames(
    bench: &mut Bench<'_>,
    settings: &Settings,
    items: &mut [Item],
    masters: &mut Masters,
) -> Result<Ready, BuildError> {
    let prepared = prepare::prepare(bench, settings, items, masters, Role::Sky)?;
    if !prepared.frames.is_empty() {
        return Ok(prepared);
    }
    let called_sky = items
        .iter()
        .filter(|i| i.decision.role == Some(Role::Sky))
        .count();
    let first_reason = items
        .iter()
        .find(|i| i.decision.role == Some(Role::Sky))
        .and_then(|i| i.out.clone());
    let why = match first_reason {
        Some(reason) => format!("none of the {called_sky} sky frames can be used; the first: {reason}"),
        None => format!(
            "no tracked sky frames were found among {} frames; put them into a sub-folder called “sky”, or give their role under [frames] in outing.toml",
            items.len()
        ),
    };
    Err(BuildError::NothingToDo { why })
}

fn refuse_if_all_bad(tracked: &Tracked) -> Result<(), BuildError> {
    if tracked.used().next().is_some() {
        return Ok(());
    }
    let first = tracked
        .verdicts
        .first()
        .map(|v| v.reason.clone())
        .unwrap_or_default();
    let why = format!(
        "every sky frame was left out; the first: {first}. To use a frame all the same, set use = true for it under [frames] in outing.toml"
    );
    Err(BuildError::NothingToDo { why })
}

/// A sky can be shown only as it stood while frames were taken.
fn refuse_foreign_instant(settings: &Settings, times: &Times) -> Result<(), BuildError> {
    let (Some(wanted), Some((first, last))) = (settings.seam.instant, times.span()) else {
        return Ok(());
    };
    if (first..=last).contains(&wanted) {
        return Ok(());
    }
    let why = format!(
        "seam.instant in outing.toml asks for the sky of {wanted}, but the frames were taken from {first} to {last}; give a moment in that span, or leave it out"
    );
    Err(BuildError::NothingToDo { why })
}

/// Tells of frames that were taken otherwise than most of their role, and of masters that do not fit: one
/// sentence or two for each setting.
/// `verdicts` are those of the frames, where they have any.
fn tell_settings(bench: &mut Bench<'_>, items: &[Item], ready: &Ready, role: Role, verdicts: &[Verdict]) {
    let settings: Vec<Setting> = ready.frames.iter().map(|f| f.facts.setting()).collect();
    let count = |s: &Setting| settings.iter().filter(|o| o.same(s)).count();
    let told = |s: &Setting| [s.exposure_s, s.f_number, s.iso].iter().flatten().count();
    let Some(usual) = settings.iter().max_by_key(|s| (count(s), told(s))) else {
        return;
    };
    for (setting, misfits) in &ready.misfits {
        if setting.same(usual) {
            misfits.iter().for_each(|m| bench.warn_once(m));
            continue;
        }
        let alike: Vec<usize> = (0..settings.len())
            .filter(|&i| settings[i].same(setting))
            .collect();
        let names = alike.iter().map(|&i| items[ready.frames[i].item].name.as_str());
        let Some(first) = names.min() else { continue };
        let used = alike.iter().any(|&i| verdicts.get(i).is_none_or(|v| v.use_it));
        let more = match count(setting) {
            1 => " was".to_owned(),
            n => format!(" and {} more were", n - 1),
        };
        let (own, most) = (setting.exposure_words(), usual.exposure_words());
        let what = match used {
            true => "each counts in its own light and by its own noise",
            false => "it is left out, as the report says of it",
        };
        let mut told = format!("“{first}”{more} taken at {own}, most {role} frames at {most}: {what}.");
        for misfit in misfits.iter().filter(|_| used) {
            told.push(' ');
            told.push_str(misfit);
        }
        bench.warn(told);
    }
}

/// The units of the land frames; one whose file does not tell it is taken for a usual one, and its brightness
/// is then measured beside the others'.
fn land_units(told: &[Option<f64>]) -> Vec<f64> {
    let usual = units::common(told.iter().flatten().copied());
    told.iter().map(|u| u.unwrap_or(usual)).collect()
}

fn land_choice<'a>(
    frames: &'a [Prepared],
    worth: Worth<'_>,
    settings: &Settings,
    lights: &[Light],
) -> Result<Option<Chosen<'a>>, BuildError> {
    if frames.is_empty() {
        return Ok(None);
    }
    land_choice::choose(frames, worth, &settings.land, lights)
        .map(Some)
        .map_err(|available| BuildError::NothingToDo {
            why: format!(
                "land.use in outing.toml asks for land frames that are not there; there are {available}"
            ),
        })
}

/// Whether land and sky are on one scale already: one camera, linear files, and settings told in both roles (a
/// frame that does not tell its own is measured against those that do).
fn one_scale(sky: &[Prepared], land: &[Prepared], told: &[Option<f64>], land_told: &[Option<f64>]) -> bool {
    let model = |f: &Prepared| (f.facts.meta.model.clone(), f.facts.colour);
    let mut all = sky.iter().chain(land);
    let Some(first) = all.next() else { return false };
    let tells = |frames: &[Prepared], told: &[Option<f64>]| {
        let exposed =
            |(f, t): (&Prepared, &Option<f64>)| t.is_some() && f.facts.setting().exposure_s.is_some();
        frames.iter().zip(told).any(exposed)
    };
    tells(sky, told)
        && tells(land, land_told)
        && first.facts.was_linear
        && all.all(|f| f.facts.was_linear && model(f) == model(first))
}
