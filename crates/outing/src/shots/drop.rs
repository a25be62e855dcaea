//! What to drop first if time runs short.

use serde::Serialize;

use super::hours::Hours;
use super::lay::{Laid, lay};
use super::settings::ShotSettings;

/// With fewer sky frames nothing is left to tell a satellite by (common practice, no source).
pub const LEAST_SKY_FRAMES: u32 = 4;

/// What may be dropped, in the order in which it is (common practice, no source). Checks and nudges are not among it:
/// they cost minutes, and their lack costs the night.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Droppable {
    /// All of them.
    Flats,
    /// All of them.
    Darks,
    /// All but one.
    TestFrames,
    /// All but one.
    LandFrames,
    /// All but [`LEAST_SKY_FRAMES`].
    SkyFrames,
}

impl Droppable {
    /// The first to go first.
    pub const ORDER: [Self; 5] = [
        Self::Flats,
        Self::Darks,
        Self::TestFrames,
        Self::LandFrames,
        Self::SkyFrames,
    ];

    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Flats => "flats",
            Self::Darks => "darks",
            Self::TestFrames => "test frames",
            Self::LandFrames => "land frames",
            Self::SkyFrames => "sky frames",
        }
    }

    /// Why it can go, and what that costs.
    pub fn why(self) -> &'static str {
        match self {
            Self::Flats => "can be made at home, if focus and aperture stay untouched",
            Self::Darks => "can be made on another night as cold, at the same exposure and ISO",
            Self::TestFrames => "one will do if it is looked at well",
            Self::LandFrames => "one makes the picture; more only lower its noise",
            Self::SkyFrames => "noise grows with the square root of what is lost",
        }
    }

    fn least(self) -> u32 {
        match self {
            Self::Flats | Self::Darks => 0,
            Self::TestFrames | Self::LandFrames => 1,
            Self::SkyFrames => LEAST_SKY_FRAMES,
        }
    }

    fn frames(self, settings: &ShotSettings) -> u32 {
        match self {
            Self::Flats => settings.flats.frames,
            Self::Darks => settings.darks,
            Self::TestFrames => settings.test_frames,
            Self::LandFrames => settings.land.frames,
            Self::SkyFrames => settings.sky.frames,
        }
    }

    fn set(self, settings: &mut ShotSettings, frames: u32) {
        match self {
            Self::Flats => settings.flats.frames = frames,
            Self::Darks => settings.darks = frames,
            Self::TestFrames => settings.test_frames = frames,
            Self::LandFrames => settings.land.frames = frames,
            Self::SkyFrames => settings.sky.frames = frames,
        }
    }
}

/// Frames to drop of one kind.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Cut {
    /// Which.
    pub what: Droppable,
    /// How many go.
    pub frames: u32,
    /// How many stay.
    pub keep: u32,
    /// Minutes of work that this saves; of the frames alone, without nudges and checks.
    pub saves_min: f64,
    /// Why it can go, and what that costs.
    pub why: &'static str,
}

fn cut(what: Droppable, settings: &ShotSettings, keep: u32) -> Cut {
    let run = match what {
        Droppable::Flats => settings.flats,
        Droppable::Darks => settings.dark_run(),
        Droppable::TestFrames => settings.tests(),
        Droppable::LandFrames => settings.land,
        Droppable::SkyFrames => settings.sky,
    };
    let frames = run.frames - keep;
    Cut {
        what,
        frames,
        keep,
        saves_min: f64::from(frames) * (run.exposure_s + run.gap_s) / 60.0,
        why: what.why(),
    }
}

/// The most that can go of each kind, in order.
pub(super) fn order(settings: &ShotSettings) -> Vec<Cut> {
    let can = |what: &Droppable| what.frames(settings) > what.least();
    let all = Droppable::ORDER.into_iter().filter(can);
    all.map(|what| cut(what, settings, what.least())).collect()
}

impl ShotSettings {
    /// The same without what is cut.
    #[must_use]
    pub fn without(&self, cuts: &[Cut]) -> Self {
        let mut reduced = self.clone();
        for cut in cuts {
            cut.what.set(&mut reduced, cut.keep);
        }
        reduced
    }
}

/// The least that has to go for the rest to fit: what comes first in the order goes first and whole, the last only as
/// far as needed; then whatever turns out not to have helped comes back, the dearest first.
///
/// `None` if nothing helps.
pub(super) fn proposal(hours: &Hours, settings: &ShotSettings) -> Option<Vec<Cut>> {
    let fits = |s: &ShotSettings| Laid::fits(&lay(hours, s));
    let mut reduced = settings.clone();
    let enough = Droppable::ORDER.iter().position(|what| {
        what.set(&mut reduced, what.least().min(what.frames(settings)));
        fits(&reduced)
    })?;
    for what in Droppable::ORDER[..=enough].iter().rev() {
        // Halving: `kept` fits always, `beyond` never.
        let (mut kept, mut beyond) = (what.frames(&reduced), what.frames(settings) + 1);
        while beyond - kept > 1 {
            let middle = kept + (beyond - kept) / 2;
            what.set(&mut reduced, middle);
            if fits(&reduced) {
                kept = middle;
            } else {
                beyond = middle;
            }
        }
        what.set(&mut reduced, kept);
    }
    let gone = |what: &Droppable| what.frames(&reduced) < what.frames(settings);
    let cuts = Droppable::ORDER.into_iter().filter(gone);
    Some(
        cuts.map(|what| cut(what, settings, what.frames(&reduced)))
            .collect(),
    )
}
