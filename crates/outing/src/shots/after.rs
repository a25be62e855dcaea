//! What comes after the sky frames: land, flats, darks and the way home.

use super::block::BlockKind;
use super::lay::Line;
use super::piece::Piece;
use super::settings::{FlatLight, LandLightWanted};

const NO_MOON: &str = "no moonlight falls on the land before or after the sky frames";
const PANEL: &str = "panel over the lens; focus and aperture as for the sky";
const CLOTH: &str = "white cloth over the lens; focus and aperture as for the sky";
const TO_LAND: &str = "to the land: tracker off, framed as it will stand in the picture, focus looked at";
const PACKED: &str = "everything counted back into the bag";
const ROAD: &str = "drive only if awake: sleep first if tired";

impl Line<'_> {
    /// Land, flats, darks and the way home.
    pub(super) fn after_sky(&mut self) {
        let taken = self.pieces.iter().any(|p| p.kind == BlockKind::Land);
        if self.s.land.frames > 0 && !taken {
            self.land_after();
        }
        if self.s.flats.frames > 0 && self.s.flat_light == FlatLight::Panel {
            self.add(Piece::frames(
                BlockKind::Flat,
                self.end().ceil(),
                self.s.flats,
                PANEL.into(),
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
        self.pack_up(packing_from);
    }

    /// Packing goes on through the darks, and only its rest stands alone.
    fn pack_up(&mut self, from: f64) {
        let rest = (from + self.s.pack_up_s - self.end()).max(0.0);
        self.add(Piece::pause(BlockKind::PackUp, self.end(), rest, PACKED));
        self.add(Piece::pause(BlockKind::WalkOut, self.end(), self.s.walk_s, ROAD));
    }

    fn add(&mut self, piece: Piece) {
        self.pieces.push(piece);
    }

    fn land_after(&mut self) {
        match self.s.land_light {
            LandLightWanted::Night | LandLightWanted::Moon => {
                match self.in_their_light_after(self.turned()) {
                    Some(from) => self.add_land(from),
                    None if self.s.land_light == LandLightWanted::Moon => self.no_light(NO_MOON, self.s.land),
                    None => self.land_into_dawn(),
                }
            }
            LandLightWanted::Dawn if self.hours.dawn_light().is_none() => {
                self.no_light("there is no morning twilight for the land frames", self.s.land);
            }
            LandLightWanted::Dusk | LandLightWanted::Dawn => {}
        }
    }

    /// Land by night that lasts too long.
    fn land_into_dawn(&mut self) {
        let from = self.turned().ceil();
        let by = self.land_spans().last().map_or(0.0, |(_, to)| *to);
        self.must_end(self.land(from).to, by, "the land frames end after the night");
        self.add_land(from);
    }

    /// When the camera is turned to the land, if that is done at once.
    fn turned(&self) -> f64 {
        self.end() + self.s.turn_s
    }

    /// The land, and right before it the turn to it.
    fn add_land(&mut self, from: f64) {
        self.add(Piece::pause(
            BlockKind::Turn,
            from - self.s.turn_s,
            self.s.turn_s,
            TO_LAND,
        ));
        self.add(self.land(from));
    }

    /// When there is the moon's or the night's light for the land.
    pub(super) fn land_spans(&self) -> Vec<(f64, f64)> {
        let spans = match self.s.land_light {
            LandLightWanted::Moon => self.hours.moonlit.as_slice(),
            LandLightWanted::Night => self.hours.dark.as_slice(),
            LandLightWanted::Dusk | LandLightWanted::Dawn => &[],
        };
        spans.iter().map(|s| self.span(s)).collect()
    }

    /// The first start for land by the moon or by night from then on.
    pub(super) fn in_their_light_after(&self, earliest: f64) -> Option<f64> {
        let length = self.s.land.length_s();
        let starts = self
            .land_spans()
            .into_iter()
            .map(|(from, to)| (from.max(earliest).ceil(), to));
        let mut fitting = starts.filter(|(from, to)| from + length <= *to);
        fitting.next().map(|(from, _)| from)
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
            let from = best.max(self.turned().ceil());
            self.must_end(
                from,
                best,
                "the land frames come after the light for them at dawn",
            );
            self.add_land(from);
        }
        if self.s.flats.frames == 0 || self.s.flat_light == FlatLight::Panel {
            return;
        }
        let Some(morning) = self.hours.morning else {
            self.no_light("there is no dawn for the flats; take them by panel", self.s.flats);
            return;
        };
        let (from, to) = self.span(&morning);
        let flats = Piece::frames(
            BlockKind::Flat,
            from.max(self.end()).ceil(),
            self.s.flats,
            CLOTH.into(),
        );
        self.must_end(flats.to, to, "the flats at dawn end after sunrise");
        self.add(flats);
    }

    fn darks(&mut self, meanwhile: &str) {
        let run = self.s.dark_run();
        let note = format!("cap on, exposure and ISO as for the sky; {meanwhile}");
        self.add(Piece::frames(BlockKind::Dark, self.end().ceil(), run, note));
    }
}
