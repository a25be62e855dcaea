//! What the frames' times and stars tell of the land frames before any of their pixels is judged.

use std::path::Path;

use nalgebra::Vector3;
use nightloom_outing::{FrameTime, RESULTS, Settings, outing_skyline};
use nightloom_seam::Places;
use nightloom_sky::{Skyline, catalogue};

use crate::canvas::Canvas;
use crate::known_places::{KnownFrom, known_places};
use crate::land_choice::{Chosen, Light};
use crate::land_frame::LandFrame;
use crate::masks;
use crate::outline::Outline;
use crate::placing::Placed;
use crate::scene::Scene;
use crate::sky::Witness;
use nightloom_journal::Bench;

/// Land frames asked about the light over the ridge, at most.
const MOST_WITNESSES: usize = 4;
/// The sky of a land frame that tells of the tracked frames' light is as bright as theirs to this share.
const SAME_SKY: f32 = 0.06;
/// Stars brighter than this trail visibly in land frames.
const TRAIL_MAGNITUDE: f32 = 6.0;

/// The skyline that the outing has for its site. One that an earlier build measured is no knowledge beforehand.
pub(crate) fn site_skyline(bench: &mut Bench<'_>, folder: &Path, settings: &Settings) -> Option<Skyline> {
    let named = settings.site.skyline.as_deref();
    if named.is_some_and(|name| Path::new(name).components().any(|c| c.as_os_str() == RESULTS)) {
        return None;
    }
    outing_skyline(folder, &settings.site).unwrap_or_else(|error| {
        bench.warn(format!("The site's skyline was left out: {error}."));
        None
    })
}

impl Scene<'_> {
    fn index_of(&self, land: &LandFrame<'_>) -> Option<usize> {
        self.land_frames.iter().position(|f| std::ptr::eq(f, land.frame))
    }

    /// When a land frame was taken, if it tells.
    fn land_time(&self, land: &LandFrame<'_>) -> Option<FrameTime> {
        self.times.land[self.index_of(land)?]
    }

    /// Whether the stars say that the tripod stood between two land frames; `None` where they do not tell.
    pub(crate) fn stood_still(&self, placed: &Placed, a: &LandFrame<'_>, b: &LandFrame<'_>) -> Option<bool> {
        placed.stood_still(
            self.index_of(a)?,
            self.index_of(b)?,
            self.frame_size(self.land_frames),
        )
    }

    /// Directions of the catalogue's bright stars in the reference camera's axes, where that is identified.
    fn bright_stars(&self) -> Vec<Vector3<f64>> {
        let Some(found) = &self.tracked.identified else {
            return Vec::new();
        };
        let bright = catalogue::stars().iter().filter(|s| s.v_mag < TRAIL_MAGNITUDE);
        let when = self.times.reference_hint();
        bright
            .map(|s| found.attitude * s.direction(when).into_inner())
            .collect()
    }

    /// Where stars trailed in the land frames, and what lies below the horizon.
    pub(crate) fn known_places(
        &self,
        chosen: &Chosen<'_>,
        placed: &Placed,
        seen: &[[f32; 2]],
        size: [usize; 2],
    ) -> Places {
        let reference = self.tracked.registration.reference;
        let taken = |land: &LandFrame<'_>| self.land_time(land).filter(|_| placed.timed);
        let times: Vec<FrameTime> = chosen.frames.iter().filter_map(taken).collect();
        let from = KnownFrom {
            canvas_at: &|placement| Canvas {
                offset_px: [0.0; 2],
                ..self.land_canvas(placed, placement)
            },
            placement: &placed.placement,
            times: &times,
            tracked: (
                self.tracked.camera(reference),
                &self.sky_frames[reference].facts.field.stars,
            ),
            catalogue: self.bright_stars(),
            seen,
            elevation_m: self.tracked.site.map_or(0.0, |s| s.elevation_m),
            skyline: self.skyline,
        };
        known_places(&from, size)
    }

    /// Land frames that tell of the light over the ridge, where they are on the tracked frames' scale.
    pub(crate) fn witnesses<'a>(
        &self,
        chosen: &Chosen<'a>,
        canvas: &Canvas,
        placed: &Placed,
        outline: &Outline,
    ) -> Vec<Witness<'a>> {
        if !self.one_scale || !placed.timed || chosen.light != Light::Night {
            return Vec::new();
        }
        let levels: [f32; 3] = std::array::from_fn(|c| {
            let of =
                |i: usize| (self.tracked.units[i] / self.unit) as f32 * self.sky_frames[i].facts.sky_level[c];
            nightloom_fit::median_of(self.tracked.used().map(of)).unwrap_or(0.0)
        });
        let witness = |land: &LandFrame<'a>| {
            let time = self.land_time(land)?;
            // Under a moon that rose since then, or at dusk, its light is another.
            let ratio =
                |c: usize| land.gain * land.frame.facts.sky_level[c] / levels[c].max(f32::MIN_POSITIVE);
            if (0..3).any(|c| (ratio(c) - 1.0).abs() > SAME_SKY) {
                return None;
            }
            Some(Witness {
                frame: land.frame,
                gain: land.gain,
                rotation: placed.placement.rotation_at(time.middle())?,
                air: placed.placement.air_at(time.middle())?,
                mask: masks::from_turning(canvas, &placed.placement, outline, &time)?,
            })
        };
        chosen
            .frames
            .iter()
            .filter_map(witness)
            .take(MOST_WITNESSES)
            .collect()
    }
}
