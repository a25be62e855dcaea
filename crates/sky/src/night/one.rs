//! Everything about one night.

use jiff::civil::Date;
use serde::Serialize;

use super::show;
use super::sky::NightSky;
use super::{MoonEvents, NightError, Nights, Span, SubjectNight, SunEvents, Window};
use crate::PlaceError;
use crate::subjects::Subject;

/// One night.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Night {
    /// Noon to noon.
    pub window: Window,
    /// The sun.
    pub sun: SunEvents,
    /// The moon.
    pub moon: MoonEvents,
    /// The altitude of the sun's centre below which it is night, degrees: −18 unless told otherwise.
    #[serde(serialize_with = "show::coarse")]
    pub dark_limit_deg: f64,
    /// When the sun is below that.
    pub night: Vec<Span>,
    /// Minutes of that.
    #[serde(serialize_with = "show::minutes")]
    pub night_minutes: f64,
    /// When the sun is below that and the moon's upper limb below the horizon.
    pub dark: Vec<Span>,
    /// Minutes of that.
    #[serde(serialize_with = "show::minutes")]
    pub dark_minutes: f64,
    /// What was asked for, in that order.
    pub subjects: Vec<SubjectNight>,
}

impl NightSky<'_> {
    /// Everything about this night.
    ///
    /// # Errors
    /// A date outside 1990 to 2060.
    pub fn night(&self, subjects: &[Subject]) -> Result<Night, NightError> {
        let start = self.window.from;
        let subjects = subjects.iter().map(|s| self.subject(s));
        Ok(Night {
            sun: SunEvents::of(self),
            moon: MoonEvents::of(self).map_err(PlaceError::from)?,
            dark_limit_deg: self.nights.standpoint.dark_limit.deg(),
            night: self.night.after(start),
            night_minutes: self.night.minutes(),
            dark: self.dark.after(start),
            dark_minutes: self.dark.minutes(),
            subjects: subjects.collect::<Result<_, _>>().map_err(PlaceError::from)?,
            window: self.window.clone(),
        })
    }
}

impl Nights {
    /// Everything about the night of one evening.
    ///
    /// # Errors
    /// As [`Nights::sky`].
    pub fn night(&self, evening: Date, subjects: &[Subject]) -> Result<Night, NightError> {
        self.sky(evening)?.night(subjects)
    }
}
