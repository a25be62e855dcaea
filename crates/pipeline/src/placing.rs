//! The sky placed over the land by them and by the stars.

use nalgebra::{Rotation3, Unit, Vector3};
use nightloom_optics::Lens;
use nightloom_sky::Instant;
use nightloom_stars::{MatchSettings, Star, match_fields};

use super::canvas::CanvasAir;
use super::lens_guess::guess_lens;
use super::place::{LandSighting, Placement, place};
use super::prepare::Prepared;
use super::times::Times;
use super::track::Tracked;
use nightloom_journal::Bench;
use nightloom_outing::{FrameTime, Settings};

/// The sky over the land.
pub(super) struct Placed {
    /// Where it stood.
    pub(super) placement: Placement,
    /// The land camera's lens.
    pub(super) lens: Lens,
    /// In words, for the report.
    pub(super) by: String,
    /// Whether the instant is a time of the clock, not a stand-in.
    pub(super) timed: bool,
    /// Why the sky of that instant is shown, in words.
    pub(super) why: String,
    /// The middle of the land frames that show stars, or of all.
    pub(super) land_middle: Option<Instant>,
    /// The land frames whose stars were matched.
    sightings: Vec<LandSighting>,
    /// The pole as the tracked frames' stars tell it: one found from the land frames could hide that they moved.
    pole: Option<Unit<Vector3<f64>>>,
}

/// A move that is no more than this, pixels, is none: four nights of another painter on still tripods, 14 to 85 mm, gave
/// at most 0.025.
const TRAILS_PX: f64 = 0.1;
/// And so many times the scatter's own.
const SURE: f64 = 4.0;

impl Placed {
    /// Whether the stars in two land frames say that the camera stood still between them; `None` where they do not tell.
    pub(super) fn stood_still(&self, a: usize, b: usize, size: (usize, usize)) -> Option<bool> {
        let of = |i: usize| self.sightings.iter().find(|s| s.frame == i && self.timed);
        let pole = self.pole?;
        let [moved, error] = of(a)?.moved_px(of(b)?, &pole, &self.lens, size)?;
        Some(moved < TRAILS_PX + SURE * error)
    }

    /// The sky as it stood when the tracked frames cover it best, if it can be turned.
    pub(super) fn moved(self, best: Option<Instant>) -> Self {
        let Some(placement) = best.and_then(|moment| self.placement.moved_to(moment)) else {
            return self;
        };
        Self {
            placement,
            why: "the tracked frames cover the sky over this land best then".into(),
            ..self
        }
    }
}

/// Matches the land frames' stars to the reference sky frame and places the sky at the wanted
/// instant.
pub(super) fn place_sky(
    bench: &mut Bench<'_>,
    settings: &Settings,
    tracked: &Tracked,
    sky: &[Prepared],
    land: &[Prepared],
    times: &Times,
) -> Placed {
    let lens = land_lens(settings, tracked, sky, land);
    let reference = &sky[tracked.registration.reference].facts.field;
    let timed = times.land.iter().any(Option::is_some);
    let stand_in = Instant::from_timestamp(jiff::Timestamp::UNIX_EPOCH);
    let sightings: Vec<LandSighting> = land
        .iter()
        .zip(&times.land)
        .enumerate()
        .filter(|(_, (_, time))| time.is_some() || !timed)
        .filter_map(|(index, (frame, time))| {
            let stars = &frame.facts.field.stars;
            let found = match_fields(
                &reference.stars,
                tracked.lens(),
                stars,
                &lens,
                &MatchSettings::default(),
            )?;
            let middle = time.as_ref().map_or(stand_in, FrameTime::middle);
            let air = time.as_ref().and_then(|t| tracked.canvas_air(Some(t.middle())));
            let pairs = found.pairs.iter().map(|&(a, b)| (&reference.stars[a], &stars[b]));
            let (rotation, rms_px) =
                sight(pairs, tracked, &lens, air.as_ref()).unwrap_or((found.rotation, found.rms_px));
            Some(LandSighting {
                middle,
                rotation,
                rms_px,
                frame: index,
                stars: found.pairs.len(),
            })
        })
        .collect();
    let wanted = settings.seam.instant.filter(|_| timed);
    let mut middles: Vec<Instant> = match sightings.is_empty() {
        true => times.land.iter().flatten().map(FrameTime::middle).collect(),
        false => sightings.iter().map(|s| s.middle).collect(),
    };
    middles.sort();
    let span = middles.first().zip(middles.last());
    let land_middle = span
        .map(|(first, last)| first.plus_seconds(last.seconds_since(*first) / 2.0))
        .filter(|_| timed);
    if let Some(placement) = place(&sightings, tracked.pole, wanted) {
        if settings.seam.instant.is_some_and(|w| w != placement.instant) {
            bench.warn(format!(
                "The sky is shown as it stood at {}, not at the instant asked for: without the pole or trusted times it cannot be turned.",
                placement.instant
            ));
        }
        let by = format!("the stars in {} of {} land frames", sightings.len(), land.len());
        let placement = Placement {
            overhead: tracked.overhead,
            ..placement
        };
        let why = match wanted {
            Some(w) if w == placement.instant => "asked for in outing.toml",
            _ => {
                "the middle of the land exposures; without the pole and trusted times the sky cannot be turned"
            }
        };
        return Placed {
            placement,
            lens,
            by,
            timed,
            why: why.into(),
            land_middle,
            sightings,
            pole: tracked.pole,
        };
    }
    bench.warn("The land frames show no stars that match the tracked frames. The sky was placed as if the camera had not been re-aimed between the nearest tracked frame and the land frames; check the join.".into());
    Placed {
        placement: assumed(tracked, times, stand_in),
        lens,
        by: "assumption: the camera was not re-aimed".into(),
        timed,
        why: "the tracked frame nearest to the land frames was taken then".into(),
        land_middle,
        sightings,
        pole: tracked.pole,
    }
}

/// The rotation from the reference camera's axes to the land camera, refraction taken into account,
/// from pairs of stars (Kabsch 1976), the farthest tenth of the pairs left out once; and its
/// residual.
fn sight<'a>(
    pairs: impl Iterator<Item = (&'a Star, &'a Star)>,
    tracked: &Tracked,
    lens: &Lens,
    air: Option<&CanvasAir>,
) -> Option<(Rotation3<f64>, f64)> {
    let home = tracked.camera(tracked.registration.reference);
    let mut pairs: Vec<(Vector3<f64>, Vector3<f64>, [f64; 2])> = pairs
        .filter_map(|(sky, land)| {
            let star = home.lens.unproject([sky.x, sky.y])?.into_inner();
            let lifted = air.map_or(star, |a| a.shown.lift(0, &a.frames.lower(home.frame, &star)));
            let at = [land.x, land.y];
            Some((lifted, lens.unproject(at)?.into_inner(), at))
        })
        .collect();
    let off = |turn: &Rotation3<f64>, pair: &(Vector3<f64>, Vector3<f64>, [f64; 2])| {
        lens.project(&(turn * pair.0))
            .map_or(f64::MAX, |p| (p[0] - pair.2[0]).hypot(p[1] - pair.2[1]))
    };
    let first = best_turn(&pairs)?;
    pairs.sort_by(|a, b| off(&first, a).total_cmp(&off(&first, b)));
    pairs.truncate((pairs.len() * 9).div_ceil(10));
    let turn = best_turn(&pairs)?;
    let square = pairs.iter().map(|p| off(&turn, p).powi(2)).sum::<f64>() / pairs.len() as f64;
    Some((turn, square.sqrt()))
}

/// The rotation that brings the first of each pair nearest to the second.
fn best_turn(pairs: &[(Vector3<f64>, Vector3<f64>, [f64; 2])]) -> Option<Rotation3<f64>> {
    if pairs.len() < 3 {
        return None;
    }
    nightloom_fit::rotation_between(pairs.iter().map(|p| (p.0, p.1, 1.0)))
}

/// The land camera's lens: that of the tracked frames if nothing speaks against it.
fn land_lens(settings: &Settings, tracked: &Tracked, sky: &[Prepared], land: &[Prepared]) -> Lens {
    // Each role is of one camera and lens.
    let (a, b) = (&sky[sky.len() / 2].facts, &land[land.len() / 2].facts);
    let same_size = (a.field.width, a.field.height) == (b.field.width, b.field.height);
    if same_size && a.meta.focal_mm == b.meta.focal_mm && a.meta.lens == b.meta.lens {
        return *tracked.lens();
    }
    guess_lens(&settings.rig, &b.meta, b.field.width, b.field.height).lens
}

/// The land camera looked where the tracked camera looked at the time nearest to the land frames.
fn assumed(tracked: &Tracked, times: &Times, stand_in: Instant) -> Placement {
    let land: Vec<Instant> = times.land.iter().flatten().map(FrameTime::middle).collect();
    let middle = land.get(land.len() / 2).copied();
    let nearest = tracked.used().min_by(|&a, &b| {
        let away = |i: usize| match (&times.sky[i], middle) {
            (Some(time), Some(middle)) => time.middle().seconds_since(middle).abs(),
            _ => f64::MAX,
        };
        away(a).total_cmp(&away(b))
    });
    let frame = nearest.unwrap_or(tracked.registration.reference);
    let instant = times.sky[frame]
        .as_ref()
        .map(FrameTime::middle)
        .or(middle)
        .unwrap_or(stand_in);
    Placement {
        instant,
        rotation: tracked.rotation(frame),
        pole: tracked.pole,
        rms_px: 0.0,
        overhead: tracked.overhead,
    }
}
