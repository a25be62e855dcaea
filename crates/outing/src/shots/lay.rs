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
    let spare_s = line.sky(sky_from);
    line.after_sky();
    line.within_night();
    line.pieces.retain(|p| p.to > p.from);
    line.pieces.sort_by(|a, b| a.from.total_cmp(&b.from));
    let start = hours.night.from;
    Laid {
        blocks: line.pieces.into_iter().map(|p| p.block(start)).collect(),
        late: line.late,
        spare_min: spare_s / 60.0,
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

    /// The sky frames from then on; gives what is left of their window, or least of their windows, seconds.
    fn sky(&mut self, from: f64) -> f64 {
        let windows: Vec<(String, f64)> = if self.hours.one_by_one {
            let turns = self.hours.turns.iter();
            turns
                .map(|(span, name)| (name.clone(), self.at(span.to)))
                .collect()
        } else {
            vec![(String::new(), self.at(self.hours.sky.to))]
        };
        let pieces = self.sky_pieces(from);
        let mut spare = f64::INFINITY;
        for (name, to) in windows {
            let of = if name.is_empty() {
                String::new()
            } else {
                format!("{name}; ")
            };
            let own = |p: &&Piece| p.kind == BlockKind::Sky && p.note.starts_with(&of);
            let end = pieces.iter().filter(own).map(|p| p.to).fold(from, f64::max);
            let what = match &*name {
                "" => "the sky frames end after the window for them".to_owned(),
                name => format!("the sky frames of {name} end after the window for them"),
            };
            self.must_end(end, to, &what);
            spare = spare.min(to - end);
        }
        self.pieces.extend(pieces);
        spare
    }

    /// What is done from the first sky frame to the last: one run, or one for each subject with the turn to it.
    pub(super) fn sky_pieces(&self, from: f64) -> Vec<Piece> {
        if !self.hours.one_by_one {
            return sky_run(self.s, from);
        }
        let mut pieces: Vec<Piece> = Vec::new();
        for (span, name) in &self.hours.turns {
            let mut start = from;
            if let Some(last) = pieces.last() {
                start = self.at(span.from).max(last.to + self.s.turn_s).ceil();
                let note = format!("to {name}: framed with the ridge, focus and axis looked at");
                pieces.push(Piece::pause(
                    BlockKind::Turn,
                    start - self.s.turn_s,
                    self.s.turn_s,
                    &note,
                ));
            }
            pieces.extend(sky_run(self.s, start).into_iter().map(|mut piece| {
                if piece.kind == BlockKind::Sky {
                    piece.note = format!("{name}; {}", piece.note);
                }
                piece
            }));
        }
        pieces
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
