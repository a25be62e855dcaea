//! From measured and registered frames to the picture: land, edge, moment, grid, sky, join.

use std::borrow::Cow;
use std::path::Path;
use std::thread;

use nightloom_outing::{Crop, Digest, FrameTime, Settings};
use nightloom_raster::{Plane, Rgb};
use nightloom_seam::{FillReport, Finding, join_step};
use nightloom_sky::{Skyline, catalogue};
use nightloom_stack::{Mask, Neutral, Turn};
use rayon::prelude::*;

use crate::canvas::Canvas;
use crate::capture::{Taken, capture};
use crate::celestial::{self, Celestial};
use crate::edge::{Edge, Ground};
use crate::hints::{CANVAS_STEP, CanvasFacts, LandHints, on_canvas};
use crate::inventory::Item;
use crate::join::Joined;
use crate::land::LandStack;
use crate::land_choice::{Chosen, Light};
use crate::moment::TrackedSet;
use crate::outline::{Outline, Twigs};
use crate::place::Placement;
use crate::placing::Placed;
use crate::prepare::Prepared;
use crate::report::{CanvasReport, Outputs, SkyFigures};
use crate::sky::{Lay, SkyStack, Veil};
use crate::times::Times;
use crate::track::Tracked;
use crate::{canvas, crop, deliver, edge, figures, finish, join, land, masks, moment, outline, placing, sky};
use nightloom_develop::{Capture, LightReport, TakenBox};
use nightloom_journal::{Bench, BuildError, StepKey};

/// Rows either side of the join over which its step is measured, pixels.
const STEP_BAND_PX: usize = 6;

/// A frame with more sky than this does not see land well enough to contradict where it should be.
const MOSTLY_SKY: f64 = 0.95;
/// Agreement beyond chance of land seen and land expected below which the times are not believed: a
/// clock wrong by an hour gives less for any land that is not level.
const LEAST_AGREEMENT: f64 = 0.5;
/// A crop that takes more of the canvas than this is told of.
const MUCH_CROPPED: f64 = 0.2;
/// So is sky that had to be filled, above this share of it.
const MUCH_FILLED: f64 = 0.005;

/// Everything known once the frames are measured and registered.
pub(crate) struct Scene<'a> {
    pub(crate) settings: &'a Settings,
    pub(crate) items: &'a [Item],
    pub(crate) hints: &'a LandHints,
    /// The site's skyline, where the outing has one.
    pub(crate) skyline: Option<&'a Skyline>,
    pub(crate) sky_frames: &'a [Prepared],
    pub(crate) land_frames: &'a [Prepared],
    pub(crate) times: &'a Times,
    pub(crate) tracked: &'a Tracked,
    /// Light that 1 in the picture stands for.
    pub(crate) unit: f64,
    /// Whether land and sky are on one scale by what their files tell.
    pub(crate) one_scale: bool,
    /// The frames that become the land.
    pub(crate) land: Option<Chosen<'a>>,
    /// Names everything that the layers come from before they are developed.
    pub(crate) layers_key: Digest,
}

/// What comes out of the picture's making, for the report.
pub(crate) struct Made {
    pub(crate) outputs: Outputs,
    pub(crate) offset_px: [f64; 2],
    pub(crate) grid: CanvasReport,
    pub(crate) placed: Option<Placed>,
    pub(crate) sky: sky::SkyFacts,
    pub(crate) land: land::LandFacts,
    pub(crate) sky_fraction: f64,
    pub(crate) fill: FillReport,
    pub(crate) figures: SkyFigures,
    pub(crate) luminance_step: Option<f64>,
    /// Degrees of azimuth over which the land's edge was measured.
    pub(crate) skyline_deg: Option<f64>,
    pub(crate) land_gain: [f32; 3],
    pub(crate) neutral: Option<Neutral>,
    pub(crate) light: LightReport,
    pub(crate) picture_jpeg: Vec<u8>,
    pub(crate) matte_jpeg: Option<Vec<u8>>,
    pub(crate) coverage_jpeg: Vec<u8>,
}

/// The picture's grid with the sky placed over it.
struct Laid {
    canvas: Canvas,
    grid: CanvasReport,
    placed: Option<Placed>,
}

impl Scene<'_> {
    pub(crate) fn picture(&self, bench: &mut Bench<'_>, results: &Path) -> Result<Made, BuildError> {
        let frame_size = self.frame_size(self.sky_frames);
        let Some(chosen) = &self.land else {
            bench.warn("There are no land frames; the sky alone was made.".into());
            return self.sky_alone(bench, results, frame_size);
        };
        bench.stage(0.56, 0.66)?;
        bench.show("Placing the sky over the land", 0.0, "")?;
        let placed = placing::place_sky(
            bench,
            self.settings,
            self.tracked,
            self.sky_frames,
            self.land_frames,
            self.times,
        );
        let land = land::stack_land(
            bench,
            &self.settings.land,
            chosen.frames.clone(),
            chosen.reference,
            &|a, b| self.stood_still(&placed, a, b),
        )?;
        self.tell_focus(bench, chosen, &land.facts);
        bench.stage(0.66, 0.74)?;
        let stars = trails(chosen.frames[land.facts.home].frame);
        let places = self.known_places(chosen, &placed, &stars, land.frame_px);
        let ground = Ground {
            land: &land,
            frame: &self.items[chosen.frames[land.facts.home].frame.item].name,
            frames: chosen.frames.len(),
            stars: &stars,
            places: &places,
        };
        let edge = edge::find_edge(bench, &ground, self.hints)?;
        self.say_finding(bench, edge.finding);
        let (outline, sharp) = (Outline::of(&edge.matte.alpha), Outline::sharp(&edge.matte.alpha));
        let twigs = Twigs::of(&edge.matte.alpha);
        let land_part = outline::light_beside_sky(&land.picture, &edge.matte.alpha);
        bench.show("Choosing the moment and the grid", 0.0, "")?;
        let ridge = self.write_ridge(results, &placed, &edge.matte.alpha)?;
        let agreement = self.agreement(&placed, &edge);
        let placed = self.shown(placed, &edge, agreement);
        let (canvas, grid) = self.canvas(bench, &placed, &edge)?;
        let size = [canvas.width, canvas.height];
        let land = LandStack {
            picture: on_canvas(land.picture, size, canvas.origin),
            ..land
        };
        let edge = Edge {
            matte: edge.matte.on_canvas(size, canvas.origin),
            ..edge
        };
        bench.show("Finding the land in the sky frames", 0.0, "")?;
        let masks = self.masks(bench, &canvas, &placed, (&outline, agreement));
        drop(outline);
        let witnesses = self.witnesses(chosen, &canvas, &placed, &sharp);
        let open = |unseen: &(dyn Fn(usize, usize) -> bool + Sync)| -> Option<Vec<Mask>> {
            if contradicts(agreement) {
                return None;
            }
            // Of land that is shut no pixel is asked.
            let wanted = |x: usize, y: usize| unseen(x, y) && edge.matte.alpha.at(x, y) > 0.0;
            let of_frame = |i: usize| {
                masks::open_share(
                    &canvas,
                    &placed.placement,
                    &twigs,
                    self.times.sky[i].as_ref()?,
                    &wanted,
                )
            };
            self.tracked.used().map(of_frame).collect()
        };
        bench.stage(0.74, 0.86)?;
        let sky = sky::stack_sky(
            bench,
            &self.settings.sky,
            self.sky_frames,
            self.tracked,
            &Lay {
                canvas: &canvas,
                masks: &masks,
                witnesses: &witnesses,
                veil: Some(Veil {
                    open: &open,
                    twigs: twigs.hash(),
                    land: land_part,
                }),
                unit: self.unit,
            },
        )?;
        drop((masks, witnesses));
        let laid = Laid {
            canvas,
            grid,
            placed: Some(placed),
        };
        let made = self.deliver(bench, results, laid, sky, Some((land, edge)))?;
        let (path, degrees) = ridge.unzip();
        Ok(Made {
            outputs: Outputs {
                skyline: path,
                ..made.outputs
            },
            skyline_deg: degrees,
            ..made
        })
    }

    /// The sky as it stood when the tracked frames cover it best, unless a moment was asked for.
    fn shown(&self, placed: Placed, edge: &Edge, agreement: Option<f64>) -> Placed {
        let timed = |i: usize| Some((self.tracked.camera(i), self.times.sky[i]?));
        let (cameras, times): (Vec<_>, Vec<_>) = self.tracked.used().filter_map(timed).unzip();
        let asked = self.settings.seam.instant.is_some();
        if asked || !placed.timed || times.is_empty() || contradicts(agreement) {
            return placed;
        }
        let set = TrackedSet {
            cameras,
            times,
            size: self.frame_size(self.sky_frames),
        };
        // An offset moves the sky of a moment; it chooses no other.
        let at = |placement: &Placement| Canvas {
            offset_px: [0.0; 2],
            ..self.land_canvas(&placed, placement)
        };
        let best = moment::best_covered(&set, &placed.placement, edge.found(), &at);
        placed.moved(best)
    }

    /// How well the land lies in some tracked frames where their times put it, so that the times can turn the sky; `None`
    /// where no frame tells.
    fn agreement(&self, placed: &Placed, edge: &Edge) -> Option<f64> {
        let outline = Outline::of(edge.found());
        let canvas = self.land_canvas(placed, &placed.placement);
        let used: Vec<usize> = self.tracked.used().collect();
        let picked = [0, used.len() / 2, used.len().saturating_sub(1)];
        let mut frames: Vec<usize> = picked.iter().filter_map(|&k| used.get(k).copied()).collect();
        frames.dedup();
        let agree = |&i: &usize| {
            let time = self.times.sky[i].as_ref()?;
            let turned = masks::from_turning(&canvas, &placed.placement, &outline, time)?;
            let land = &self.sky_frames[i].facts.field.land;
            let seen = masks::from_content(&canvas, &self.tracked.camera(i), land);
            // Only frames that see land themselves can contradict.
            (land.sky_fraction() < MOSTLY_SKY).then(|| masks::agreement(&seen, &turned, &canvas))
        };
        nightloom_fit::median_of(frames.iter().filter_map(agree))
    }

    /// The land frame's own grid with the sky of a moment over it.
    pub(crate) fn land_canvas(&self, placed: &Placed, placement: &Placement) -> Canvas {
        let (width, height) = self.frame_size(self.land_frames);
        let air = placed
            .timed
            .then(|| self.tracked.canvas_air(Some(placement.instant)));
        Canvas {
            offset_px: self.settings.seam.offset_px,
            air: air.flatten(),
            ..Canvas::of_frame(width, height, placed.lens, placement.rotation)
        }
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
            &Lay {
                canvas: &canvas,
                masks: &[],
                witnesses: &[],
                veil: None,
                unit: self.unit,
            },
        )?;
        let full = [0, 0, canvas.width, canvas.height];
        let grid = canvas.report(full, [canvas.width, canvas.height]);
        let laid = Laid {
            canvas,
            grid,
            placed: None,
        };
        self.deliver(bench, results, laid, sky, None)
    }

    pub(crate) fn frame_size(&self, frames: &[Prepared]) -> (usize, usize) {
        (frames[0].facts.field.width, frames[0].facts.field.height)
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

    /// The picture's grid: the land frame's, grown where the sky reaches beyond it, and what is kept of that.
    fn canvas(
        &self,
        bench: &mut Bench<'_>,
        placed: &Placed,
        edge: &Edge,
    ) -> Result<(Canvas, CanvasReport), BuildError> {
        let canvas = self.land_canvas(placed, &placed.placement);
        let cameras: Vec<_> = self.tracked.used().map(|i| self.tracked.camera(i)).collect();
        let sky_size = self.frame_size(self.sky_frames);
        let full = match self.settings.picture.grow {
            true => {
                let rows = canvas::rows_to_grow(&canvas, &cameras, sky_size);
                canvas.grown(rows)
            }
            false => canvas,
        };
        let full_px = [full.width, full.height];
        let crop = crop::chosen(
            self.settings.picture.crop,
            &full,
            edge.found(),
            &cameras,
            sky_size,
        )?;
        let canvas = full.cropped(crop);
        let grid = canvas.report(crop, full_px);
        self.tell_crop(bench, &grid);
        let key = StepKey::new(CANVAS_STEP, 1)
            .settings(&(full_px, crop, canvas.origin))
            .finish();
        let facts = CanvasFacts {
            canvas_px: [canvas.width, canvas.height],
            origin_px: canvas.origin,
        };
        if bench.kept::<CanvasFacts>(CANVAS_STEP, key).is_none() {
            bench.done(CANVAS_STEP, key, &[], &facts)?;
        }
        Ok((canvas, grid))
    }

    fn tell_crop(&self, bench: &mut Bench<'_>, grid: &CanvasReport) {
        let [width, height] = grid.full_px;
        let lost = 1.0 - (grid.width_px * grid.height_px) as f64 / (width * height).max(1) as f64;
        if self.settings.picture.crop == Crop::Covered && lost > MUCH_CROPPED {
            bench.warn(format!(
                "{:.0} % of the canvas was cropped away, because no tracked frame covers its sky. crop = \"all\" under [picture] in outing.toml keeps it, filled with the sky's smooth light and without stars; next time aim the tracked frames so that they hold the land frame's whole sky.",
                lost * 100.0
            ));
        }
    }

    /// Tells of sky that no tracked frame saw.
    fn tell_filled(&self, bench: &mut Bench<'_>, filled: f64) {
        if filled <= MUCH_FILLED {
            return;
        }
        let remedy = match (self.settings.seam.instant, self.settings.picture.crop) {
            (Some(_), _) => {
                "leave seam.instant out of outing.toml, and a moment is chosen that they cover best"
            }
            (None, Crop::Covered) => {
                "take tracked frames for longer, before and after, or aim them lower: then some of them see what stands behind the land in others"
            }
            (None, _) => {
                "crop = \"covered\" under [picture] in outing.toml leaves out what lies at the picture's borders"
            }
        };
        bench.warn(format!(
            "{:.1} % of the sky in the picture was seen by no tracked frame, through twigs neither, and is filled with its smooth light, without stars; {remedy}.",
            filled * 100.0
        ));
    }

    /// One mask per used frame: by the turning of the sky where that is known and agrees with what
    /// the frames show, else by what each frame shows.
    fn masks(
        &self,
        bench: &mut Bench<'_>,
        canvas: &Canvas,
        placed: &Placed,
        (outline, agreement): (&Outline, Option<f64>),
    ) -> Vec<Mask> {
        let used: Vec<usize> = self.tracked.used().collect();
        let by_content: Vec<Mask> = used
            .par_iter()
            .map(|&i| {
                let land = &self.sky_frames[i].facts.field.land;
                masks::from_content(canvas, &self.tracked.camera(i), land)
            })
            .collect();
        let of_frame =
            |i: &usize| masks::from_turning(canvas, &placed.placement, outline, self.times.sky[*i].as_ref()?);
        let turned: Vec<Option<Mask>> = used.par_iter().map(of_frame).collect();
        // Where an untimed frame's land was is not known: anywhere that it was in the others.
        let Some(anywhere) = masks::land_of_all(turned.iter().flatten(), canvas) else {
            bench.warn("Where the land stood in each tracked frame was judged by the frames' own content, because the pole or the times are not known.".into());
            return by_content;
        };
        let by_turning: Vec<Mask> = turned
            .into_iter()
            .map(|m| m.unwrap_or_else(|| anywhere.clone()))
            .collect();
        if let Some(agreement) = agreement.filter(|a| contradicts(Some(*a))) {
            bench.warn(format!(
                "The land in the tracked frames does not lie where their times put it (agreement {:.0} % beyond chance); their own content was used. Check the camera's clock.",
                agreement.max(0.0) * 100.0
            ));
            return by_content;
        }
        by_turning
    }

    fn deliver(
        &self,
        bench: &mut Bench<'_>,
        results: &Path,
        Laid { canvas, grid, placed }: Laid,
        sky: SkyStack,
        land: Option<(LandStack, Edge)>,
    ) -> Result<Made, BuildError> {
        bench.stage(0.86, 0.92)?;
        bench.show("Writing the linear stack", 0.0, "")?;
        let frames = self.tracked.used().count();
        let has_land = land.is_some();
        // The header tells of the sky frames alone.
        let spanned = self.capture(None);
        let all = || Plane::filled(canvas.width, canvas.height, 1.0);
        let shown = match &land {
            Some((_, edge)) => Cow::Borrowed(&edge.matte.alpha),
            None => Cow::Owned(all()),
        };
        let alpha: &Plane = &shown;
        // All files share the picture's canvas, turned as it is.
        let turn = nightloom_develop::turn(&self.settings.picture, [canvas.width, canvas.height]);
        let turn = turn.as_ref();
        let counts = as_turned(turn, &sky.coverage, nightloom_develop::turned_counts);
        let (told, coverage_jpeg, figures) = thread::scope(|scope| {
            let linear = scope.spawn(|| {
                let coordinates = self.coordinates(&canvas, &sky.coverage, turn);
                let [r, g, b] = sky.picture.planes();
                let planes = [r, g, b].map(|plane| as_turned(turn, plane, nightloom_develop::turned));
                deliver::linear(
                    results,
                    planes.each_ref().map(|p| &**p),
                    frames,
                    &spanned,
                    coordinates,
                )
            });
            let coverage = scope.spawn(|| deliver::coverage(results, &counts));
            let matte = scope
                .spawn(|| deliver::matte(results, &as_turned(turn, alpha, nightloom_develop::turned_shares)));
            let jpeg = deliver::plane_jpeg(&counts, frames as f32);
            let figures = figures::sky_figures(&sky.picture, &sky.coverage, alpha, sky.facts.noise);
            let told = Outputs {
                linear: Some(deliver::ended(linear)?),
                coverage: Some(deliver::ended(coverage)?),
                matte: Some(deliver::ended(matte)?),
                ..Outputs::default()
            };
            Ok::<_, BuildError>((told, jpeg?, figures))
        })?;
        let (land_facts, joined) = self.joined(
            bench,
            &canvas,
            (sky.picture, &sky.coverage, sky.veil.as_ref()),
            land,
        )?;
        let capture = self.capture(has_land.then_some(&land_facts));
        let field = &self.sky_frames[self.tracked.registration.reference].facts.field;
        let fill = joined.fill;
        self.tell_filled(bench, fill.filled_fraction);
        let step = has_land
            .then(|| join_step(&joined.luminance(), &joined.alpha, STEP_BAND_PX))
            .flatten();
        let finished = finish::finish(
            bench,
            &self.settings.picture,
            joined,
            &sky.coverage,
            &canvas,
            Some((field, self.tracked)),
            &finish::Ground {
                key: self.layers_key,
                has_land,
                frame: TakenBox {
                    crop_px: grid.crop_px,
                    full_px: grid.full_px,
                    sky_offset_px: canvas.offset_px,
                    level_deg: canvas.level_deg(),
                },
                capture: &capture,
            },
        )?;
        drop((sky.coverage, sky.veil));
        bench.stage(0.92, 0.97)?;
        let (outputs, picture_jpeg) = deliver::pictures(
            bench,
            results,
            &finished,
            has_land,
            (&capture, &self.settings.files),
        )?;
        let alpha = &finished.joined.alpha;
        Ok(Made {
            outputs: Outputs {
                linear: told.linear,
                coverage: told.coverage,
                matte: told.matte,
                report: Some(results.join("report.html")),
                ..outputs
            },
            offset_px: canvas.offset_px,
            grid,
            placed,
            sky: sky.facts,
            land: land_facts,
            sky_fraction: mean(alpha),
            fill,
            figures,
            luminance_step: step,
            skyline_deg: None,
            land_gain: finished.joined.tone.gain,
            light: finished.light.clone(),
            neutral: finished.neutral,
            picture_jpeg,
            matte_jpeg: has_land.then(|| deliver::plane_jpeg(alpha, 1.0)).transpose()?,
            coverage_jpeg,
        })
    }

    /// What the frames in the picture tell of how it was taken.
    fn capture(&self, land: Option<&land::LandFacts>) -> Capture {
        let sky = self.tracked.used();
        let sky = sky.map(|i| (&self.sky_frames[i], self.times.sky[i].as_ref()));
        let of_land = |facts: &land::LandFacts| -> Vec<&Prepared> {
            let out = |k: usize| facts.left_out.iter().any(|l| l.0 == k);
            let chosen = self.land.iter().flat_map(|c| &c.frames).enumerate();
            chosen.filter(|(k, _)| !out(*k)).map(|(_, f)| f.frame).collect()
        };
        let taken = Taken {
            sky: sky.collect(),
            land: land.map(of_land).unwrap_or_default(),
            absolute: self.times.absolute,
            site: self.tracked.site,
        };
        capture(self.settings, &taken)
    }

    /// Where the picture's sky is, by the catalogue.
    fn coordinates(
        &self,
        canvas: &Canvas,
        coverage: &Plane,
        turn: Option<&Turn>,
    ) -> Result<Celestial, &'static str> {
        let found = self.tracked.identified.as_ref();
        let found = found.ok_or("its stars were not identified")?;
        let reference = self.tracked.registration.reference;
        let time = self.times.sky[reference].as_ref();
        let when = time.map_or_else(|| self.times.reference_hint(), FrameTime::middle);
        let stars = &self.sky_frames[reference].facts.field.stars;
        let pair = |&(star, known): &(usize, usize)| {
            let star = stars.get(star)?;
            let seen = self.tracked.lens().unproject([star.x, star.y])?.into_inner();
            let air = canvas.air.as_ref();
            let free = air.map_or(seen, |air| air.frames.lower(reference, &seen));
            Some((catalogue::stars().get(known)?.direction(when).into_inner(), free))
        };
        let pairs: Vec<_> = found.matches.iter().filter_map(pair).collect();
        let turned = celestial::turned(&pairs).ok_or("too few of its stars were identified")?;
        let [left, top, right, bottom] = turn.map_or([0, 0, canvas.width, canvas.height], Turn::kept);
        let direction = |[x, y]: [f64; 2]| {
            let pixel = [x + left as f64, y + top as f64];
            let pixel = turn.map_or(pixel, |turn| turn.source(pixel));
            Some(turned.to_icrs * canvas.star_direction(pixel)?)
        };
        let shows = |x: usize, y: usize| {
            let pixel = [x + left, y + top];
            let [x, y] = turn.map_or(pixel, |turn| turn.nearest(pixel));
            coverage.at(x, y) > 0.5
        };
        Ok(celestial::fit([right - left, bottom - top], &direction, &shows)?.by(&turned))
    }

    fn joined(
        &self,
        bench: &Bench<'_>,
        canvas: &Canvas,
        (sky, coverage, veil): (Rgb, &Plane, Option<&Rgb>),
        land: Option<(LandStack, Edge)>,
    ) -> Result<(land::LandFacts, Joined), BuildError> {
        let Some((land, edge)) = land else {
            let joined = Joined {
                land: Rgb::filled(canvas.width, canvas.height, [0.0; 3]),
                alpha: Plane::filled(canvas.width, canvas.height, 1.0),
                sky,
                fill: FillReport::default(),
                tone: nightloom_seam::ToneMatch::identity(),
            };
            return Ok((land::LandFacts::default(), joined));
        };
        let facts = land.facts;
        bench.show("Modelling the sky behind the land", 0.0, "")?;
        let smooth = finish::smooth_sky(&sky, &edge.matte.alpha, coverage, canvas, self.tracked);
        let joined = join::join(
            bench,
            land.picture,
            sky,
            (coverage, veil),
            edge.matte,
            self.known_gain(),
            smooth.as_ref(),
        )?;
        Ok((facts, joined))
    }
}

/// A plane as it lies, or turned as the picture is.
fn as_turned<'a>(
    turn: Option<&Turn>,
    plane: &'a Plane,
    turned: impl Fn(&Turn, &Plane) -> Plane,
) -> Cow<'a, Plane> {
    turn.map_or(Cow::Borrowed(plane), |turn| Cow::Owned(turned(turn, plane)))
}

/// Whether the land in tracked frames lies elsewhere than where their times put it.
fn contradicts(agreement: Option<f64>) -> bool {
    agreement.is_some_and(|a| a < LEAST_AGREEMENT)
}

/// Middles of a land frame's star trails: places that are sky.
fn trails(frame: &Prepared) -> Vec<[f32; 2]> {
    let stars = &frame.facts.field.stars;
    stars.iter().map(|s| [s.x as f32, s.y as f32]).collect()
}

/// Sum over count, in double precision and fixed order.
fn mean(plane: &Plane) -> f64 {
    plane.data().iter().map(|v| f64::from(*v)).sum::<f64>() / plane.data().len().max(1) as f64
}
