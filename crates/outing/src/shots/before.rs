//! What comes before the sky frames, counted back from them.

use super::block::BlockKind;
use super::lay::Line;
use super::piece::Piece;
use super::settings::LandLightWanted;

const WALK_IN: &str = "two lights; tell someone where you go";
const SET_UP: &str = "tripod low and level, frame the picture, focus";
const ALIGN: &str = "axis on the pole, camera on; again after any reframing";
const TEST: &str = "at full size: round stars, focus; histogram clear of the left edge";

impl Line<'_> {
    /// Everything up to the first sky frame; gives when that begins.
    pub(super) fn before_sky(&mut self) -> f64 {
        let s = self.s;
        let preparing_s = s.align_s + s.tests_s();
        let ready = s.walk_s + s.set_up_s;
        // A person starts a timer on a whole second.
        let mut sky_from = self.at(self.hours.sky.from).ceil().max(ready + preparing_s);
        let mut first = sky_from - preparing_s;
        if let Some(from) = self.land_before(ready, first) {
            let land = self.land(from);
            sky_from = sky_from.max((land.to + preparing_s).ceil());
            first = from;
            self.pieces.push(land);
        }
        self.prepare(first, sky_from);
        sky_from
    }

    /// The way there, the set-up until `first`, and what comes right before the sky frames.
    fn prepare(&mut self, first: f64, sky_from: f64) {
        let s = self.s;
        let tests_from = sky_from - s.tests_s();
        let pause = |kind, to: f64, length_s, note| Piece::pause(kind, to - length_s, length_s, note);
        self.pieces.extend([
            pause(BlockKind::WalkIn, first - s.set_up_s, s.walk_s, WALK_IN),
            pause(BlockKind::SetUp, first, s.set_up_s, SET_UP),
            pause(BlockKind::Alignment, tests_from, s.align_s, ALIGN),
        ]);
        if s.test_frames > 0 {
            let mut tests = Piece::frames(BlockKind::Test, tests_from, s.tests(), TEST.into());
            tests.to = sky_from;
            self.pieces.push(tests);
        }
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
            LandLightWanted::Moon | LandLightWanted::Night => {
                self.in_their_light_before(ready, preparing_from)
            }
            LandLightWanted::Dawn => None,
        }
    }

    /// The last start for land by the moon or by night before the sky frames; none if it has room after them.
    fn in_their_light_before(&self, ready: f64, preparing_from: f64) -> Option<f64> {
        let sky_from = preparing_from + self.s.align_s + self.s.tests_s();
        let sky_to = self.sky_pieces(sky_from).last().map_or(sky_from, |p| p.to);
        if self.in_their_light_after(sky_to + self.s.turn_s).is_some() {
            return None;
        }
        let length = self.s.land.length_s();
        let spans = self.land_spans().into_iter().rev();
        let starts = spans.map(|(from, to)| (from.max(ready), to.min(preparing_from) - length));
        let mut fitting = starts.filter(|(earliest, latest)| latest >= earliest);
        fitting
            .next()
            .map(|(earliest, latest)| latest.floor().max(earliest))
    }
}
