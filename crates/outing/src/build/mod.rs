//! The pipeline: from a folder of frames to one layered picture.
//!
//! Inventory → masters → each frame calibrated, demosaiced, measured → tracked frames registered,
//! judged, identified → land stack → matte → the sky placed over the land → sky stack → join →
//! finish → files and report. Every step that costs time leaves its result in a work file and an
//! entry in the journal; a step whose inputs and settings are unchanged is not done again.

mod ahead;
mod bench;
mod canvas;
mod deliver;
mod edge;
mod error;
mod exact;
mod finish;
mod ground;
mod inventory;
mod join;
mod land;
mod lens_guess;
mod light;
mod masks;
mod masters;
mod page;
mod place;
mod placing;
mod prepare;
mod report;
mod residual_map;
mod sky;
mod track;
mod verdicts;

use std::path::Path;

pub use error::BuildError;

pub(crate) use exact::read_planes;
pub(crate) use light::luminance;
pub use report::{
    BuildReport, CanvasReport, ColourReport, FrameReport, LandReport, LensReport, Outputs, SeamReport,
    SkyReport, StepCounts,
};

use nightloom_raster::{Plane, Rgb};
use nightloom_seam::{Finding, join_step};
use nightloom_stack::{Mask, Neutral};

use bench::Bench;
use canvas::Canvas;
use edge::{Edge, Ground};
use inventory::Item;
use join::Joined;
use land::LandStack;
use masters::Masters;
use placing::{Placed, Times};
use prepare::Prepared;
use sky::SkyStack;
use track::Tracked;

use crate::clock::FrameTime;
use crate::discover::RESULTS;
use crate::hash::Digest;
use crate::hints::{LandHints, on_canvas};
use crate::journal::{Journal, StepKey};
use crate::plan::Settings;
use crate::roles::Role;
use crate::world::World;

/// Version of what follows the stacks; raise it when the same stacks would give other pictures.
const PICTURE_VERSION: u32 = 7;
/// Rows either side of the join over which its step is measured, pixels.
const STEP_BAND_PX: usize = 6;

/// A frame with more sky than this does not see land well enough to contradict where it should be.
const MOSTLY_SKY: f64 = 0.95;
/// Overlap over union of land seen and land expected below which the times are not believed: a
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
    let masters = masters::masters(bench, settings, items)?;
    bench.stage(0.15, 0.42)?;
    let sky_frames = sky_frames(bench, settings, items, &masters)?;
    bench.stage(0.42, 0.52)?;
    let land_frames = prepare::prepare(bench, settings, items, &masters, Role::Land)?;
    bench.stage(0.52, 0.56)?;
    let times = Times::read(bench, settings, items, &sky_frames, &land_frames);
    let tracked = track::track(bench, settings, items, &sky_frames, &times)?;
    refuse_if_all_bad(&tracked)?;
    let scene = Scene {
        settings,
        items,
        hints,
        sky_frames: &sky_frames,
        land_frames: &land_frames,
        times: &times,
        tracked: &tracked,
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
    masters: &Masters,
) -> Result<Vec<Prepared>, BuildError> {
    let prepared = prepare::prepare(bench, settings, items, masters, Role::Sky)?;
    if !prepared.is_empty() {
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

/// Everything known once the frames are measured and registered.
struct Scene<'a> {
    settings: &'a Settings,
    items: &'a [Item],
    hints: &'a LandHints,
    sky_frames: &'a [Prepared],
    land_frames: &'a [Prepared],
    times: &'a Times,
    tracked: &'a Tracked,
}

/// What comes out of the picture's making, for the report.
struct Made {
    outputs: Outputs,
    canvas: Canvas,
    placed: Option<Placed>,
    sky: sky::SkyFacts,
    land: land::LandFacts,
    sky_fraction: f64,
    filled_fraction: f64,
    luminance_step: Option<f64>,
    land_gain: [f32; 3],
    neutral: Option<Neutral>,
    picture_jpeg: Vec<u8>,
    matte_jpeg: Option<Vec<u8>>,
    coverage_jpeg: Vec<u8>,
}

impl Scene<'_> {
    fn picture(&self, bench: &mut Bench<'_>, results: &Path) -> Result<Made, BuildError> {
        let frame_size = self.frame_size(self.sky_frames);
        if self.land_frames.is_empty() {
            bench.warn("There are no land frames; the sky alone was made.".into());
            return self.sky_alone(bench, results, frame_size);
        }
        bench.stage(0.56, 0.66)?;
        let ratio = land::exposure_ratio(&self.sky_frames[0].facts.meta, &self.land_frames[0].facts.meta);
        let land = land::stack_land(bench, &self.settings.land, self.items, self.land_frames, ratio)?;
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
            frame: &self.items[self.land_frames[0].item].name,
            frames: self.land_frames.len(),
            stars: &self.trails(&canvas),
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
        )?;
        drop(masks);
        self.deliver(bench, results, canvas, Some(placed), sky, Some((land, edge)))
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
        )?;
        self.deliver(bench, results, canvas, None, sky, None)
    }

    fn frame_size(&self, frames: &[Prepared]) -> (usize, usize) {
        (frames[0].facts.field.width, frames[0].facts.field.height)
    }

    /// The land frame in the middle of the set by itself, if the stack lost its stars and it needs no
    /// shift.
    fn land_with_stars(&self, facts: &land::LandFacts) -> Result<Option<Rgb>, BuildError> {
        let middle = self.land_frames.len() / 2;
        if self.land_frames.len() < 2 || facts.shifts_px.get(middle) != Some(&[0.0, 0.0]) {
            return Ok(None);
        }
        let ratio = land::exposure_ratio(&self.sky_frames[0].facts.meta, &self.land_frames[0].facts.meta);
        land::single(&self.land_frames[middle], ratio).map(Some)
    }

    /// Land and sky are on one scale already where one camera took both and EXIF tells both
    /// exposures; otherwise the sky that both show has to tell.
    fn known_gain(&self) -> Option<[f32; 3]> {
        let (sky, land) = (&self.sky_frames[0].facts, &self.land_frames[0].facts);
        let same = sky.meta.model == land.meta.model
            && sky.colour == land.colour
            && sky.was_linear
            && land.was_linear;
        land::known_ratio(&sky.meta, &land.meta)
            .filter(|_| same)
            .map(|_| [1.0; 3])
    }

    /// Middles of the star trails of the first land frame: places that are sky.
    fn trails(&self, canvas: &Canvas) -> Vec<[f32; 2]> {
        let [ox, oy] = canvas.origin.map(|v| v as f32);
        let stars = &self.land_frames[0].facts.field.stars;
        stars.iter().map(|s| [s.x as f32 + ox, s.y as f32 + oy]).collect()
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
        let by_turning: Option<Vec<Mask>> = used
            .iter()
            .map(|&i| masks::from_turning(canvas, &placed.placement, &sure, self.times.sky[i].as_ref()?))
            .collect();
        let Some(by_turning) = by_turning else {
            bench.warn("Where the land stood in each tracked frame was judged by the frames' own content, because the pole or the times are not known.".into());
            return by_content;
        };
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
            .land_with_stars(&facts)?
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

/// Sum over count, in double precision and fixed order.
fn mean(plane: &Plane) -> f64 {
    plane.data().iter().map(|v| f64::from(*v)).sum::<f64>() / plane.data().len().max(1) as f64
}
