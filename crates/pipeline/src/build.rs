//! The pipeline: from a folder of frames to one layered picture.
//!
//! Inventory → masters → each frame calibrated, demosaiced, measured → tracked frames registered,
//! judged, identified → land stack → matte → the sky placed over the land → sky stack → join →
//! finish → files and report. Every step that costs time leaves its result in a work file and an
//! entry in the journal; a step whose inputs and settings are unchanged is not done again.

use std::path::Path;

use crate::error::BuildError;
use crate::land_choice::{self, Chosen, Light, Worth};
use crate::report::{BuildReport, Outputs};
use crate::setting::Setting;
use crate::{
    canvas, deliver, edge, fall_off, finish, inventory, join, land, masks, masters, placing, prepare, sky,
    track, units,
};

use nightloom_raster::{Plane, Rgb};
use nightloom_seam::{Finding, join_step};
use nightloom_stack::{Mask, Neutral};
use nightloom_stars::Verdict;

use crate::bench::Bench;
use crate::canvas::Canvas;
use crate::edge::{Edge, Ground};
use crate::inventory::Item;
use crate::join::Joined;
use crate::land::LandStack;
use crate::masters::Masters;
use crate::placing::Placed;
use crate::prepare::{Prepared, Ready};
use crate::sky::SkyStack;
use crate::times::Times;
use crate::track::Tracked;

use crate::hints::{LandHints, on_canvas};
use crate::journal::{Journal, StepKey};
use nightloom_outing::Digest;
use nightloom_outing::FrameTime;
use nightloom_outing::RESULTS;
use nightloom_outing::Role;
use nightloom_outing::Settings;
use nightloom_outing::World;

/// Version of what follows the stacks; raise it when the same stacks would give other pictures.
const PICTURE_VERSION: u32 = 7;
/// Rows either side of the join over which its step is measured, pixels.
const STEP_BAND_PX: usize = 6;

/// A frame with more sky than this does not see land well enough to contradict where it should be.
const MOSTLY_SKY: f64 = 0.95;
/// Overlap of land seen and land expected, over the smaller, below which the times are not believed: a
/// clock wrong by an hour gives less for any land that is not level.
const LEAST_AGREEMENT: f64 = 0.5;

/// Makes the picture of the outing in `folder`.
///
/// # Errors
/// See [`BuildError`]. A single bad frame is no error: it is left out and reported.
pub fn build(folder: &Path, settings: &Settings, world: &dyn World) -> Result<BuildReport, BuildError> {
    let started = world.seconds();
    let journal = Journal::open(folder, world.now())?;
    let mut bench = Bench::new(world, journal);
    bench.stage(0.0, 0.05)?;
    let mut items = inventory::inventory(&mut bench, settings)?;
    let hints = match LandHints::read(folder) {
        Ok(hints) => hints,
        Err(error) => {
            bench.warn(format!("The hints for the edge were left out: {error}."));
            LandHints::default()
        }
    };
    let key = picture_key(settings, &items, &hints);
    let mut report = match bench.kept::<BuildReport>("picture", key) {
        // The folder may have been moved since.
        Some(report) => report.in_folder(&folder.join(RESULTS)),
        None => make(&mut bench, settings, &mut items, &hints, folder, key)?,
    };
    report.steps = bench.steps;
    report.seconds = world.seconds() - started;
    report.peak_memory_mib = world.peak_memory_mib();
    Ok(report)
}

/// The identity of the whole picture: every frame's content and role, all settings and hints.
fn picture_key(settings: &Settings, items: &[Item], hints: &LandHints) -> Digest {
    let key = StepKey::new("picture", PICTURE_VERSION)
        .settings(settings)
        .input("hints", hints.version());
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
    hints: &LandHints,
    folder: &Path,
    key: Digest,
) -> Result<BuildReport, BuildError> {
    let results = deliver::results_folder(folder)?;
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
    let scene = Scene {
        settings,
        items,
        hints,
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
    };
    let made = scene.picture(bench, &results)?;
    bench.stage(0.97, 1.0)?;
    let report = scene.report(bench, &results, made)?;
    let outputs: Vec<String> = report.outputs.names();
    let outputs: Vec<&str> = outputs.iter().map(String::as_str).collect();
    bench.done("picture", key, &outputs, &report)?;
    bench.tidy();
    Ok(report)
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

/// Everything known once the frames are measured and registered.
pub(super) struct Scene<'a> {
    pub(super) settings: &'a Settings,
    pub(super) items: &'a [Item],
    pub(super) hints: &'a LandHints,
    pub(super) sky_frames: &'a [Prepared],
    pub(super) land_frames: &'a [Prepared],
    pub(super) times: &'a Times,
    pub(super) tracked: &'a Tracked,
    /// Light that 1 in the picture stands for.
    pub(super) unit: f64,
    /// Whether land and sky are on one scale by what their files tell.
    pub(super) one_scale: bool,
    /// The frames that become the land.
    pub(super) land: Option<Chosen<'a>>,
}

/// What comes out of the picture's making, for the report.
pub(super) struct Made {
    pub(super) outputs: Outputs,
    pub(super) canvas: Canvas,
    pub(super) placed: Option<Placed>,
    pub(super) sky: sky::SkyFacts,
    pub(super) land: land::LandFacts,
    pub(super) sky_fraction: f64,
    pub(super) filled_fraction: f64,
    pub(super) luminance_step: Option<f64>,
    pub(super) land_gain: [f32; 3],
    pub(super) neutral: Option<Neutral>,
    pub(super) picture_jpeg: Vec<u8>,
    pub(super) matte_jpeg: Option<Vec<u8>>,
    pub(super) coverage_jpeg: Vec<u8>,
}

impl Scene<'_> {
    fn picture(&self, bench: &mut Bench<'_>, results: &Path) -> Result<Made, BuildError> {
        let frame_size = self.frame_size(self.sky_frames);
        let Some(chosen) = &self.land else {
            bench.warn("There are no land frames; the sky alone was made.".into());
            return self.sky_alone(bench, results, frame_size);
        };
        bench.stage(0.56, 0.66)?;
        let land = land::stack_land(
            bench,
            &self.settings.land,
            chosen.frames.clone(),
            chosen.reference,
        )?;
        self.tell_focus(bench, chosen, &land.facts);
        let placed = placing::place_sky(
            bench,
            self.settings,
            self.tracked,
            self.sky_frames,
            self.land_frames,
            self.times,
        );
        let canvas = self.canvas(&placed);
        let land = LandStack {
            picture: on_canvas(land.picture, [canvas.width, canvas.height], canvas.origin),
            ..land
        };
        bench.stage(0.66, 0.74)?;
        let ground = Ground {
            land: &land,
            canvas: &canvas,
            frame: &self.items[chosen.frames[land.facts.home].frame.item].name,
            frames: chosen.frames.len(),
            stars: &trails(chosen.frames[land.facts.home].frame, &canvas),
        };
        let edge = edge::find_edge(bench, &ground, self.hints)?;
        self.say_finding(bench, edge.finding);
        let masks = self.masks(bench, &canvas, &placed, &edge);
        bench.stage(0.74, 0.86)?;
        let sky = sky::stack_sky(
            bench,
            &self.settings.sky,
            self.sky_frames,
            self.tracked,
            &canvas,
            &masks,
            self.unit,
        )?;
        drop(masks);
        self.deliver(bench, results, canvas, Some(placed), sky, Some((land, edge)))
    }

    fn tell_focus(&self, bench: &mut Bench<'_>, chosen: &Chosen<'_>, facts: &land::LandFacts) {
        if facts.focus > 1 {
            bench.warn_once(&format!(
                "The land frames are of {} focus settings; they were merged by sharpness, the sky's side kept at the farthest.",
                facts.focus
            ));
        }
        let mut told: Vec<String> = facts
            .left_out
            .iter()
            .map(|(i, why)| {
                format!(
                    "“{}” is not in the land: it is {why}.",
                    self.items[chosen.frames[*i].frame.item].name
                )
            })
            .collect();
        told.sort();
        told.iter().for_each(|t| bench.warn_once(t));
    }

    fn sky_alone(
        &self,
        bench: &mut Bench<'_>,
        results: &Path,
        size: (usize, usize),
    ) -> Result<Made, BuildError> {
        let lens = *self.tracked.lens();
        let reference = self.tracked.registration.reference;
        let shown = self.times.sky[reference].as_ref().map(FrameTime::middle);
        let air = self.tracked.canvas_air(shown);
        let canvas = Canvas {
            air,
            ..Canvas::of_frame(size.0, size.1, lens, self.tracked.rotation(reference))
        };
        bench.stage(0.74, 0.86)?;
        let sky = sky::stack_sky(
            bench,
            &self.settings.sky,
            self.sky_frames,
            self.tracked,
            &canvas,
            &[],
            self.unit,
        )?;
        self.deliver(bench, results, canvas, None, sky, None)
    }

    pub(super) fn frame_size(&self, frames: &[Prepared]) -> (usize, usize) {
        (frames[0].facts.field.width, frames[0].facts.field.height)
    }

    /// The reference land frame by itself, if the stack lost its stars.
    fn land_with_stars(&self, home: usize) -> Result<Option<Rgb>, BuildError> {
        let Some(chosen) = self.land.as_ref().filter(|c| c.frames.len() > 1) else {
            return Ok(None);
        };
        land::single(&chosen.frames[home]).map(Some)
    }

    /// Land and sky are on one scale already where one camera took both and the files tell all exposures;
    /// otherwise, and where twilight is to look like night, the sky that both show has to tell.
    fn known_gain(&self) -> Option<[f32; 3]> {
        let to_match =
            self.settings.land.match_night && self.land.as_ref().is_some_and(|c| c.light == Light::Twilight);
        (self.one_scale && !to_match).then_some([1.0; 3])
    }

    fn say_finding(&self, bench: &mut Bench<'_>, finding: Finding) {
        match finding {
            Finding::Both => {}
            Finding::SkyOnly => {
                bench.warn("No land was found in the land frames; the picture is sky throughout.".into())
            }
            Finding::LandOnly => {
                bench.warn("No sky was found in the land frames; the picture is land throughout.".into())
            }
        }
    }

    fn canvas(&self, placed: &Placed) -> Canvas {
        let (width, height) = self.frame_size(self.land_frames);
        let canvas = Canvas {
            offset_px: self.settings.seam.offset_px,
            air: placed
                .timed
                .then(|| self.tracked.canvas_air(Some(placed.placement.instant)))
                .flatten(),
            ..Canvas::of_frame(width, height, placed.lens, placed.placement.rotation)
        };
        if !self.settings.picture.grow {
            return canvas;
        }
        let cameras: Vec<_> = self.tracked.used().map(|i| self.tracked.camera(i)).collect();
        let rows = canvas::rows_to_grow(&canvas, &cameras, self.frame_size(self.sky_frames));
        canvas.grown(rows)
    }

    /// One mask per used frame: by the turning of the sky where that is known and agrees with what
    /// the frames show, else by what each frame shows.
    fn masks(&self, bench: &mut Bench<'_>, canvas: &Canvas, placed: &Placed, edge: &Edge) -> Vec<Mask> {
        let used: Vec<usize> = self.tracked.used().collect();
        let by_content: Vec<Mask> = used
            .iter()
            .map(|&i| {
                let land = &self.sky_frames[i].facts.field.land;
                masks::from_content(canvas, &self.tracked.camera(i), land)
            })
            .collect();
        let sure = masks::sure_sky(&edge.matte.alpha, canvas, self.frame_size(self.land_frames));
        let of_frame =
            |i: &usize| masks::from_turning(canvas, &placed.placement, &sure, self.times.sky[*i].as_ref()?);
        let turned: Vec<Option<Mask>> = used.iter().map(of_frame).collect();
        // Where an untimed frame's land was is not known: anywhere that it was in the others.
        let Some(anywhere) = masks::land_of_all(turned.iter().flatten(), canvas) else {
            bench.warn("Where the land stood in each tracked frame was judged by the frames' own content, because the pole or the times are not known.".into());
            return by_content;
        };
        let by_turning: Vec<Mask> = turned
            .into_iter()
            .map(|m| m.unwrap_or_else(|| anywhere.clone()))
            .collect();
        // Only frames that see land themselves can contradict.
        let seeing = used
            .iter()
            .map(|&i| self.sky_frames[i].facts.field.land.sky_fraction() < MOSTLY_SKY);
        let pairs = by_content
            .iter()
            .zip(&by_turning)
            .zip(seeing)
            .filter(|(_, sees)| *sees);
        let mut agree: Vec<f64> = pairs.map(|((c, t), _)| masks::agreement(c, t, canvas)).collect();
        agree.sort_unstable_by(f64::total_cmp);
        match agree.get(agree.len() / 2) {
            Some(&agree) if agree < LEAST_AGREEMENT => {
                bench.warn(format!(
                    "The land in the tracked frames does not lie where their times put it (agreement {:.0} %); their own content was used. Check the camera's clock.",
                    agree * 100.0
                ));
                return by_content;
            }
            _ => {}
        }
        by_turning
    }

    fn deliver(
        &self,
        bench: &mut Bench<'_>,
        results: &Path,
        canvas: Canvas,
        placed: Option<Placed>,
        sky: SkyStack,
        land: Option<(LandStack, Edge)>,
    ) -> Result<Made, BuildError> {
        bench.stage(0.86, 0.92)?;
        let linear = deliver::linear(results, &sky.picture, self.tracked.used().count())?;
        let coverage_path = deliver::coverage(results, &sky.coverage)?;
        let coverage_jpeg = deliver::plane_jpeg(&sky.coverage, self.tracked.used().count() as f32)?;
        let has_land = land.is_some();
        let (land_facts, joined) = self.joined(bench, &canvas, sky.picture, &sky.coverage, land)?;
        drop(sky.coverage);
        let field = &self.sky_frames[self.tracked.registration.reference].facts.field;
        let filled_fraction = joined.filled_fraction;
        let step = has_land
            .then(|| join_step(&joined.luminance(), &joined.alpha, STEP_BAND_PX))
            .flatten();
        let finished = finish::finish(
            bench,
            &self.settings.picture,
            joined,
            &canvas,
            Some((field, self.tracked)),
        )?;
        bench.stage(0.92, 0.97)?;
        let outputs = deliver::pictures(bench, results, &finished, has_land)?;
        let alpha = &finished.joined.alpha;
        Ok(Made {
            outputs: Outputs {
                linear: Some(linear),
                coverage: Some(coverage_path),
                ..outputs
            },
            canvas,
            placed,
            sky: sky.facts,
            land: land_facts,
            sky_fraction: mean(alpha),
            filled_fraction,
            luminance_step: step,
            land_gain: finished.joined.tone.gain,
            neutral: finished.neutral,
            picture_jpeg: deliver::small_jpeg(&finished, 1800, 88)?,
            matte_jpeg: has_land.then(|| deliver::plane_jpeg(alpha, 1.0)).transpose()?,
            coverage_jpeg,
        })
    }

    fn joined(
        &self,
        bench: &Bench<'_>,
        canvas: &Canvas,
        sky: Rgb,
        coverage: &Plane,
        land: Option<(LandStack, Edge)>,
    ) -> Result<(land::LandFacts, Joined), BuildError> {
        let Some((land, edge)) = land else {
            let joined = Joined {
                land: Rgb::filled(canvas.width, canvas.height, [0.0; 3]),
                alpha: Plane::filled(canvas.width, canvas.height, 1.0),
                sky,
                filled_fraction: 0.0,
                tone: nightloom_seam::ToneMatch::identity(),
            };
            return Ok((land::LandFacts::default(), joined));
        };
        let facts = land.facts;
        let with_stars = self
            .land_with_stars(facts.home)?
            .map(|picture| on_canvas(picture, [canvas.width, canvas.height], canvas.origin));
        Ok((
            facts,
            join::join(
                bench,
                land.picture,
                sky,
                coverage,
                edge.matte,
                with_stars,
                self.known_gain(),
            )?,
        ))
    }
}

/// Middles of a land frame's star trails on the canvas: places that are sky.
fn trails(frame: &Prepared, canvas: &Canvas) -> Vec<[f32; 2]> {
    let [ox, oy] = canvas.origin.map(|v| v as f32);
    let stars = &frame.facts.field.stars;
    stars.iter().map(|s| [s.x as f32 + ox, s.y as f32 + oy]).collect()
}

/// Sum over count, in double precision and fixed order.
fn mean(plane: &Plane) -> f64 {
    plane.data().iter().map(|v| f64::from(*v)).sum::<f64>() / plane.data().len().max(1) as f64
}
