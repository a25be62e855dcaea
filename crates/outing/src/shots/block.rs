//! One line of the shot list.

use jiff::{RoundMode, TimestampRound, Unit};
use nightloom_sky::Instant;
use serde::{Serialize, Serializer};

/// What is done.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum BlockKind {
    /// Walking in.
    WalkIn,
    /// Tripod, tracker, camera, framing.
    SetUp,
    /// The tracker's axis against the pole.
    Alignment,
    /// Frames to look at, not to keep.
    Test,
    /// Tracked frames.
    Sky,
    /// A small turn of the camera by hand between frames.
    Nudge,
    /// The camera is turned: to the next stand of a panorama, to the next subject, to the land.
    Turn,
    /// Focus, axis, dew and battery looked at again.
    Recheck,
    /// Frames from the fixed tripod.
    Land,
    /// Cap on.
    Dark,
    /// Evenly lit.
    Flat,
    /// Packing up.
    PackUp,
    /// Walking back.
    WalkOut,
}

impl BlockKind {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Self::WalkIn => "walk in",
            Self::SetUp => "set up",
            Self::Alignment => "alignment check",
            Self::Test => "test frames",
            Self::Sky => "sky frames",
            Self::Nudge => "dither nudge",
            Self::Turn => "turn camera",
            Self::Recheck => "re-check",
            Self::Land => "land frames",
            Self::Dark => "darks",
            Self::Flat => "flats",
            Self::PackUp => "pack up",
            Self::WalkOut => "walk back",
        }
    }
}

/// One thing to do, from one instant to another, with the interval timer's settings if frames are taken.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Block {
    /// What.
    pub kind: BlockKind,
    /// Beginning.
    #[serde(serialize_with = "tenths")]
    pub from: Instant,
    /// End: that of the last exposure where frames are taken, that of the look at it for test frames.
    #[serde(serialize_with = "tenths")]
    pub to: Instant,
    /// Frames; 0 where none are taken.
    pub count: u32,
    /// Exposure of each, seconds.
    pub exposure_s: Option<f64>,
    /// Pause from the end of one to the beginning of the next, seconds.
    pub gap_s: Option<f64>,
    /// From one beginning to the next, as some interval timers want it, seconds.
    pub interval_s: Option<f64>,
    /// Relative aperture, if it was said.
    pub f_number: Option<f64>,
    /// ISO speed, if it was said.
    pub iso: Option<f64>,
    /// What to mind.
    pub note: String,
}

impl Block {
    /// Its length in minutes.
    pub fn minutes(&self) -> f64 {
        self.to.seconds_since(self.from) / 60.0
    }
}

/// RFC 3339 in UTC, rounded to the tenth of a second.
fn tenths<S: Serializer>(at: &Instant, out: S) -> Result<S::Ok, S::Error> {
    let tenths = TimestampRound::new()
        .smallest(Unit::Millisecond)
        .increment(100)
        .mode(RoundMode::HalfExpand);
    let rounded = at.timestamp().round(tenths).unwrap_or(at.timestamp());
    out.serialize_str(&format!("{rounded:.1}"))
}
