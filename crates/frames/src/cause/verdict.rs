//! Causes, and what is said of a frame.

use std::fmt;

/// Why a frame is as it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Cause {
    /// Nothing wrong.
    Good,
    /// The tracker did not turn: trails as on a fixed tripod.
    TrackerOff,
    /// The tracker turned the wrong way: trails twice as long.
    WrongHemisphere,
    /// The tracker's axis is off the pole.
    AxisError,
    /// The tracker turned too fast or too slowly: its gear's periodic error.
    PeriodicError,
    /// The tracker turned at half the stars' rate.
    WrongRate,
    /// The camera shook.
    Wind,
    /// The camera was knocked once, or two exposures lie in one frame.
    Knock,
    /// Out of focus.
    Focus,
    /// Dew or mist on the lens.
    Dew,
    /// The lens's own faults towards the corners.
    Aberration,
    /// An element of the lens out of line: stars one-sided all over the frame.
    Decentred,
    /// Lens or sensor not square to each other.
    Tilt,
    /// Cloud.
    Cloud,
    /// Moonlight.
    Moon,
    /// Exposed so little that the camera's own noise counts.
    UnderExposed,
    /// Burnt out.
    OverExposed,
    /// No light: the lens is covered.
    Covered,
    /// Taken by day, or of something bright.
    Daylight,
    /// A drawing or a screen's picture.
    Drawing,
    /// Too few pixels to say anything.
    TooSmall,
    /// Light, but no stars that could be measured.
    NoStars,
    /// Something speaks against the frame, and no cause stands out; or nothing shows that its points are stars.
    CannotTell,
}

impl Cause {
    /// All of them.
    pub const ALL: [Self; 23] = [
        Self::Good,
        Self::TrackerOff,
        Self::WrongHemisphere,
        Self::AxisError,
        Self::PeriodicError,
        Self::WrongRate,
        Self::Wind,
        Self::Knock,
        Self::Focus,
        Self::Dew,
        Self::Aberration,
        Self::Decentred,
        Self::Tilt,
        Self::Cloud,
        Self::Moon,
        Self::UnderExposed,
        Self::OverExposed,
        Self::Covered,
        Self::Daylight,
        Self::Drawing,
        Self::TooSmall,
        Self::NoStars,
        Self::CannotTell,
    ];

    /// The word in reports and JSON.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Good => "good",
            Self::TrackerOff => "tracker-off",
            Self::WrongHemisphere => "wrong-hemisphere",
            Self::AxisError => "axis-error",
            Self::PeriodicError => "periodic-error",
            Self::WrongRate => "wrong-rate",
            Self::Wind => "wind",
            Self::Knock => "knock",
            Self::Focus => "focus",
            Self::Dew => "dew",
            Self::Aberration => "aberration",
            Self::Decentred => "decentred",
            Self::Tilt => "tilt",
            Self::Cloud => "cloud",
            Self::Moon => "moon",
            Self::UnderExposed => "under-exposed",
            Self::OverExposed => "over-exposed",
            Self::Covered => "covered",
            Self::Daylight => "daylight",
            Self::Drawing => "drawing",
            Self::TooSmall => "too-small",
            Self::NoStars => "no-stars",
            Self::CannotTell => "cannot-tell",
        }
    }

    /// Whether stars could be judged at all.
    pub const fn measured(self) -> bool {
        !matches!(
            self,
            Self::Covered | Self::Daylight | Self::Drawing | Self::TooSmall | Self::NoStars
        )
    }
}

impl fmt::Display for Cause {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

/// One cause with its likelihood.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct CauseFound {
    /// Which.
    pub cause: Cause,
    /// How likely it is the frame's chief trouble, 0 to 1; those of one frame add up to at most 1.
    pub likelihood: f64,
    /// The figure it rests on, a short sentence.
    pub figure: String,
}

/// What is said of a frame.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct Diagnosis {
    /// The likeliest first, at least one.
    pub causes: Vec<CauseFound>,
    /// What to do next, one plain sentence.
    pub next: String,
}

impl Diagnosis {
    /// The likeliest cause.
    pub fn first(&self) -> Cause {
        self.causes.first().map_or(Cause::NoStars, |c| c.cause)
    }

    /// Whether stars could be judged at all.
    pub fn measured(&self) -> bool {
        self.first().measured()
    }
}
