//! Lays everything into the night, in order.
//!
//! The sky frames begin as early as their window and the way there allow. What comes before them is counted back from
//! there, what comes after follows at once. Times are seconds after the night's beginning.

use nightloom_sky::Instant;
use nightloom_sky::night::Span;

use super::block::{Block, BlockKind};
use super::hours::Hours;
use super::land_time::land_note;
use super::piece::Piece;
use super::settings::{Run, ShotSettings};
use super::sky_run::sky_run;

/// Something that has no room.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Late {
    /// A sentence.
    pub(super) what: String,
    /// By how much, minutes.
    pub(super) minutes: f64,
}

/// Everything laid out, and what is too late.
pub(super) struct Laid {
    pub(super) blocks: Vec<Block>,
    pub(super) late: Vec<Late>,
    /// Time left in the sky frames' window after the last, minutes; below zero when they run over it.
    pub(super) spare_min: f64,
}

impl Laid {
    pub(super) fn fits(&self) -> bool {
        self.late.is_empty()
    }

    pub(super) fn short_by_min(&self) -> f64 {
        self.late.iter().map(|l| l.minutes).fold(0.0, f64::max)
    }
}

/// Lays the night out; nothing that is wanted is left out, unless there is no light for it at all.
pub(super) fn lay(hours: &Hours, settings: &ShotSettings) -> Laid {
    let mut line = Line {
        hours,
        s: settings,
        pieces: Vec::new(),
        late: Vec::new(),
    };
    let sky_from = line.before_sky();
    line.pieces.extend(sky_run(settings, sky_from));
    let sky_to = line.end();
    let window_to = line.at(hours.sky.to);
    let what = "the sky frames end after the window for them";
    line.must_end(sky_to, window_to, what);
    line.after_sky();
    line.within_night();
    line.pieces.retain(|p| p.to > p.from);
    line.pieces.sort_by(|a, b| a.from.total_cmp(&b.from));
    let start = hours.night.from;
    Laid {
        blocks: line.pieces.into_iter().map(|p| p.block(start)).collect(),
        late: line.late,
        spare_min: (window_to - sky_to) / 60.0,
    }
}

/// Less than this late is rounding, seconds.
const ROUNDING_S: f64 = 0.01;

/// The night as it is being laid.
pub(super) struct Line<'a> {
    pub(super) hours: &'a Hours,
    pub(super) s: &'a ShotSettings,
    pub(super) pieces: Vec<Piece>,
    late: Vec<Late>,
}

impl Line<'_> {
    pub(super) fn at(&self, instant: Instant) -> f64 {
        instant.seconds_since(self.hours.night.from)
    }

    pub(super) fn span(&self, span: &Span) -> (f64, f64) {
        (self.at(span.from), self.at(span.to))
    }

    pub(super) fn end(&self) -> f64 {
        self.pieces.iter().map(|p| p.to).fold(0.0, f64::max)
    }

    pub(super) fn must_end(&mut self, end: f64, by: f64, what: &str) {
        if end > by + ROUNDING_S {
            let minutes = (end - by) / 60.0;
            let what = format!("{what}, by {:.0} min", minutes.ceil());
            self.late.push(Late { what, minutes });
        }
    }

    pub(super) fn land(&self, from: f64) -> Piece {
        let mut land = Piece::frames(BlockKind::Land, from, self.s.land, String::new());
        let middle = self.hours.night.from.plus_seconds((land.from + land.to) / 2.0);
        land.note = land_note(&self.s.land, self.hours.ev100_at(middle));
        land
    }

    /// There is no light for a run, so all of it has no room.
    pub(super) fn no_light(&mut self, what: &str, run: Run) {
        self.late.push(Late {
            what: what.into(),
            minutes: run.length_s() / 60.0,
        });
    }

    fn within_night(&mut self) {
        let length = self.at(self.hours.night.to);
        self.must_end(self.end(), length, "you are back too late");
    }
}
