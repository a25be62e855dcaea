//! Lays everything into the night, in order.
//!
//! The sky frames begin as early as their window and the way there allow. What comes before them is counted back from
//! there, what comes after follows at once. Times are seconds after the night's beginning.

use nightloom_sky::Instant;
use nightloom_sky::night::Span;

use super::block::{Block, BlockKind};
use super::hours::Hours;
use super::settings::{FlatLight, LandLightWanted, Run, ShotSettings};
use super::sky_run::sky_run;

/// One block, in seconds.
#[derive(Clone, Debug)]
pub(super) struct Piece {
    kind: BlockKind,
    from: f64,
    to: f64,
    run: Option<Run>,
    note: String,
}

impl Piece {
    pub(super) fn frames(kind: BlockKind, from: f64, run: Run, note: String) -> Self {
        Self {
            kind,
            from,
            to: from + run.length_s(),
            run: Some(run),
            note,
        }
    }

    pub(super) fn pause(kind: BlockKind, from: f64, length_s: f64, note: &str) -> Self {
        Self {
            kind,
            from,
            to: from + length_s,
            run: None,
            note: note.into(),
        }
    }

    fn block(self, start: Instant) -> Block {
        let run = self.run;
        Block {
            kind: self.kind,
            from: start.plus_seconds(self.from),
            to: start.plus_seconds(self.to),
            count: run.map_or(0, |r| r.frames),
            exposure_s: run.map(|r| r.exposure_s),
            gap_s: run.map(|r| r.gap_s),
            interval_s: run.map(|r| r.exposure_s + r.gap_s),
            f_number: run.and_then(|r| r.f_number),
            iso: run.and_then(|r| r.iso),
            note: self.note,
        }
    }
}

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

const NO_MOON: &str = "no moonlight falls on the land before or after the sky frames";

struct Line<'a> {
    hours: &'a Hours,
    s: &'a ShotSettings,
    pieces: Vec<Piece>,
    late: Vec<Late>,
}

impl Line<'_> {
    fn at(&self, instant: Instant) -> f64 {
        instant.seconds_since(self.hours.night.from)
    }

    fn span(&self, span: &Span) -> (f64, f64) {
        (self.at(span.from), self.at(span.to))
    }

    fn end(&self) -> f64 {
        self.pieces.iter().map(|p| p.to).fold(0.0, f64::max)
    }

    fn must_end(&mut self, end: f64, by: f64, what: &str) {
        if end > by + ROUNDING_S {
            let minutes = (end - by) / 60.0;
            let what = format!("{what}, by {:.0} min", minutes.ceil());
            self.late.push(Late { what, minutes });
        }
    }

    /// Everything up to the first sky frame; gives when that begins.
    fn before_sky(&mut self) -> f64 {
        let s = self.s;
        let (tests_s, walk_s) = (s.tests_s(), s.walk_s);
        let preparing_s = s.align_s + tests_s;
        let ready = walk_s + s.set_up_s;
        // A person starts a timer on a whole second.
        let mut sky_from = self.at(self.hours.sky.from).ceil().max(ready + preparing_s);
        let mut first = sky_from - preparing_s;
        if let Some(from) = self.land_before(ready, first) {
            let land = self.land(from);
            sky_from = sky_from.max((land.to + preparing_s).ceil());
            first = from;
            self.pieces.push(land);
        }
        let tests_from = sky_from - tests_s;
        self.pieces.extend([
            Piece::pause(
                BlockKind::WalkIn,
                first - ready,
                walk_s,
                "two lights; tell someone where you go",
            ),
            Piece::pause(
                BlockKind::SetUp,
                first - s.set_up_s,
                s.set_up_s,
                "tripod low and level, frame the picture, focus",
            ),
            Piece::pause(
                BlockKind::Alignment,
                tests_from - s.align_s,
                s.align_s,
                "axis on the pole, camera on; again after any reframing",
            ),
        ]);
        if s.test_frames > 0 {
            let note = "at full size: round stars, focus; sky clear of the left edge".into();
            let mut tests = Piece::frames(BlockKind::Test, tests_from, s.tests(), note);
            tests.to = sky_from;
            self.pieces.push(tests);
        }
        sky_from
    }

    /// When the land is taken, if that is before the sky.
    fn land_before(&mut self, ready: f64, preparing_from: f64) -> Option<f64> {
        let length = self.s.land.length_s();
        if self.s.land.frames == 0 {
            return None;
        }
        match self.s.land_light {
            LandLightWanted::Dusk => {
                let Some(at) = self.hours.dusk_light() else {
                    self.no_light("there is no evening twilight for the land frames", self.s.land);
                    return None;
                };
                let best = (self.at(at) - length / 2.0).floor();
                let from = best.max(ready);
                self.must_end(
                    from,
                    best,
                    "the land frames at dusk come too late: the walk and the set-up take longer",
                );
                Some(from)
            }
            // The longest wait goes to whoever waits anyway: before the sky frames only if it cannot be after them.
            LandLightWanted::Moon if self.moon_after(self.sky_to_at_best(preparing_from)).is_none() => {
                let spans = self.hours.moonlit.iter().rev().map(|s| self.span(s));
                let fitting = spans.map(|(from, to)| (from.max(ready), to.min(preparing_from) - length));
                let mut fitting = fitting.filter(|(earliest, latest)| latest >= earliest);
                fitting.next().map(|(_, latest)| latest.floor())
            }
            _ => None,
        }
    }

    /// The end of the sky frames if what prepares them begins then.
    fn sky_to_at_best(&self, preparing_from: f64) -> f64 {
        let from = preparing_from + self.s.align_s + self.s.tests_s();
        sky_run(self.s, from).last().map_or(from, |p| p.to)
    }

    /// The first moonlit start for the land from then on.
    fn moon_after(&self, earliest: f64) -> Option<f64> {
        let length = self.s.land.length_s();
        let spans = self.hours.moonlit.iter().map(|s| self.span(s));
        let starts = spans.map(|(from, to)| (from.max(earliest).ceil(), to));
        let mut fitting = starts.filter(|(from, to)| from + length <= *to);
        fitting.next().map(|(from, _)| from)
    }

    fn land(&self, from: f64) -> Piece {
        let mut land = Piece::frames(BlockKind::Land, from, self.s.land, String::new());
        let middle = self.hours.night.from.plus_seconds((land.from + land.to) / 2.0);
        land.note = land_note(&self.s.land, self.hours.ev100_at(middle));
        land
    }

    /// There is no light for a run, so all of it has no room.
    fn no_light(&mut self, what: &str, run: Run) {
        self.late.push(Late {
            what: what.into(),
            minutes: run.length_s() / 60.0,
        });
    }

    /// Land, flats, darks and the way home.
    fn after_sky(&mut self) {
        let taken = self.pieces.iter().any(|p| p.kind == BlockKind::Land);
        if self.s.land.frames > 0 && !taken {
            self.land_after();
        }
        if self.s.flats.frames > 0 && self.s.flat_light == FlatLight::Panel {
            let note = "panel over the lens; focus and aperture as for the sky".into();
            self.add(Piece::frames(
                BlockKind::Flat,
                self.end().ceil(),
                self.s.flats,
                note,
            ));
        }
        let darks_s = self.s.dark_run().length_s();
        let while_waiting = self.dawn_task().is_some_and(|from| self.end() + darks_s <= from);
        if while_waiting {
            self.darks("wait for the dawn meanwhile");
        }
        self.dawn();
        let packing_from = self.end().ceil();
        if !while_waiting {
            self.darks("pack up meanwhile");
        }
        // Packing goes on through the darks, and only its rest stands alone.
        let rest = (packing_from + self.s.pack_up_s - self.end()).max(0.0);
        let packed = Piece::pause(
            BlockKind::PackUp,
            self.end(),
            rest,
            "everything counted back into the bag",
        );
        self.add(packed);
        let note = "drive only if awake: sleep first if tired";
        self.add(Piece::pause(BlockKind::WalkOut, self.end(), self.s.walk_s, note));
    }

    fn add(&mut self, piece: Piece) {
        self.pieces.push(piece);
    }

    fn land_after(&mut self) {
        match self.s.land_light {
            LandLightWanted::Night => {
                let land = self.land(self.end().ceil());
                let sky_from = self.at(self.hours.sky.from);
                let spans = self.hours.dark.iter().map(|s| self.span(s));
                let ends = spans.filter(|(from, to)| *from <= sky_from && sky_from < *to);
                let by = ends.map(|(_, to)| to).fold(sky_from, f64::max);
                self.must_end(land.to, by, "the land frames end after the night");
                self.add(land);
            }
            LandLightWanted::Moon => match self.moon_after(self.end()) {
                Some(from) => self.add(self.land(from)),
                None => self.no_light(NO_MOON, self.s.land),
            },
            LandLightWanted::Dawn if self.hours.dawn_light().is_none() => {
                self.no_light("there is no morning twilight for the land frames", self.s.land);
            }
            LandLightWanted::Dusk | LandLightWanted::Dawn => {}
        }
    }

    /// When the first thing that waits for the morning begins.
    fn dawn_task(&self) -> Option<f64> {
        let land = self.land_at_dawn();
        let flats = (self.s.flats.frames > 0 && self.s.flat_light == FlatLight::Dawn)
            .then(|| self.hours.morning.map(|m| self.at(m.from)))
            .flatten();
        match (land, flats) {
            (Some(a), Some(b)) => Some(a.min(b)),
            (a, b) => a.or(b),
        }
    }

    fn land_at_dawn(&self) -> Option<f64> {
        let wanted = self.s.land.frames > 0 && self.s.land_light == LandLightWanted::Dawn;
        let at = wanted.then(|| self.hours.dawn_light()).flatten()?;
        Some((self.at(at) - self.s.land.length_s() / 2.0).ceil())
    }

    /// What waits for the morning.
    fn dawn(&mut self) {
        if let Some(best) = self.land_at_dawn() {
            let from = best.max(self.end().ceil());
            self.must_end(
                from,
                best,
                "the land frames come after the light for them at dawn",
            );
            self.add(self.land(from));
        }
        if self.s.flats.frames == 0 || self.s.flat_light == FlatLight::Panel {
            return;
        }
        let Some(morning) = self.hours.morning else {
            self.no_light("there is no dawn for the flats; take them by panel", self.s.flats);
            return;
        };
        let (from, to) = self.span(&morning);
        let note = "white cloth over the lens; focus and aperture as for the sky".into();
        let flats = Piece::frames(BlockKind::Flat, from.max(self.end()).ceil(), self.s.flats, note);
        self.must_end(flats.to, to, "the flats at dawn end after sunrise");
        self.add(flats);
    }

    fn darks(&mut self, meanwhile: &str) {
        let run = self.s.dark_run();
        let note = format!("cap on, exposure and ISO as for the sky; {meanwhile}");
        self.add(Piece::frames(BlockKind::Dark, self.end().ceil(), run, note));
    }

    fn within_night(&mut self) {
        let length = self.at(self.hours.night.to);
        self.must_end(self.end(), length, "you are back too late");
    }
}

/// What the light asks for, next to what is planned.
fn land_note(land: &Run, ev100: Option<f64>) -> String {
    let tripod = "tracker off";
    let Some(ev100) = ev100 else { return tripod.into() };
    let planned = land.f_number.zip(land.iso).map(|(n, iso)| {
        let asks_for = (n * n / land.exposure_s).log2() - (iso / 100.0).log2();
        let stops = ev100 - asks_for;
        let side = if stops < 0.0 { "below" } else { "above" };
        format!(", {:.1} stops {side} middle grey as planned", stops.abs())
    });
    format!(
        "{tripod}; light about EV100 {ev100:.1}{}",
        planned.unwrap_or_default()
    )
}
