//! When the frames were taken.

use nightloom_outing::{ClockFrame, FrameTime, Settings, read_clock};
use nightloom_sky::Instant;

use super::inventory::Item;
use super::prepare::Prepared;
use nightloom_journal::Bench;

/// A frame with so many stars was taken with the sun down; noise and lamps feign some.
const STARRY: usize = 40;

/// The beginning of 2026: the stars' own motion in the years about it is far below a pixel.
const SOME_MOMENT: jiff::Timestamp = jiff::Timestamp::constant(1_767_225_600, 0);

/// When the frames were taken, as far as that can be trusted.
pub(super) struct Times {
    /// Of each prepared sky frame.
    pub(super) sky: Vec<Option<FrameTime>>,
    /// Of each prepared land frame.
    pub(super) land: Vec<Option<FrameTime>>,
    /// Whether they can be trusted as times of day, not only against each other.
    pub(super) absolute: bool,
}

impl Times {
    /// Reads them through the camera's clock; what is odd about it becomes a warning.
    pub(super) fn read(
        bench: &mut Bench<'_>,
        settings: &Settings,
        items: &[Item],
        sky: &[Prepared],
        land: &[Prepared],
    ) -> Self {
        let frames: Vec<_> = sky
            .iter()
            .chain(land)
            .map(|p| ClockFrame {
                name: &items[p.item].name,
                meta: &p.facts.meta,
                starry: p.facts.field.stars.len() >= STARRY,
            })
            .collect();
        let clock = read_clock(&frames, &settings.camera_clock, &settings.site, None);
        for note in clock.notes {
            bench.warn(note);
        }
        let mut times = clock.times;
        if !clock.relative {
            times.iter_mut().for_each(|t| *t = None);
        }
        let land = times.split_off(sky.len());
        Self {
            sky: times,
            land,
            absolute: clock.absolute && clock.relative,
        }
    }

    /// Some moment of the night, for the stars' own motion; where no frame tells one, a fixed one of these years.
    pub(super) fn reference_hint(&self) -> Instant {
        let told = self.sky.iter().chain(&self.land).flatten().map(FrameTime::middle);
        told.min().unwrap_or_else(|| Instant::from_timestamp(SOME_MOMENT))
    }

    /// The middles of the sky frames; an untimed one is put in the middle of the others, which is off by half
    /// their span at most. `None` where none is timed.
    pub(super) fn sky_middles(&self) -> Option<Vec<Instant>> {
        let mut known: Vec<Instant> = self.sky.iter().flatten().map(FrameTime::middle).collect();
        known.sort();
        let middle = *known.get(known.len() / 2)?;
        Some(
            self.sky
                .iter()
                .map(|t| t.as_ref().map_or(middle, FrameTime::middle))
                .collect(),
        )
    }

    /// From the start of the first to the end of the last frame.
    pub(super) fn span(&self) -> Option<(Instant, Instant)> {
        let all = || self.sky.iter().chain(&self.land).flatten();
        Some((all().map(|t| t.start).min()?, all().map(FrameTime::end).max()?))
    }
}
