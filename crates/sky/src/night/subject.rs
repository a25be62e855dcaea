//! A subject through one night.

use serde::Serialize;

use super::aim::Pointing;
use super::events::Culmination;
use super::path::Path;
use super::show;
use super::sky::NightSky;
use super::span::{Span, Spans};
use crate::subjects::{Subject, SubjectKind};
use crate::{DateError, Instant};

/// A subject's night.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct SubjectNight {
    /// Its name.
    pub name: String,
    /// What it is.
    pub kind: SubjectKind,
    /// When it stands over the skyline while it is dark: sun below −18° and moon below the horizon.
    pub windows: Vec<Span>,
    /// Minutes of those.
    #[serde(serialize_with = "show::minutes")]
    pub minutes: f64,
    /// When it stands over the skyline at all, refraction in.
    pub over_skyline: Vec<Span>,
    /// The first passage of the meridian on the zenith's side of the pole; none in a short window between two.
    pub culmination: Option<Culmination>,
    /// Minutes over the skyline with the sun below −18°, moonlit ones too, each times its grade.
    ///
    /// See [`crate::brightness::SkyOverSite::grade`]: a minute on the subject at the zenith of the dark, moonless sky is 1.
    #[serde(serialize_with = "show::minutes")]
    pub graded_minutes: f64,
    /// What the moon costs at the subject in the mean over those minutes, magnitudes per square arcsecond.
    #[serde(serialize_with = "show::maybe_coarse")]
    pub moon_cost_mag: Option<f64>,
    /// When a minute is worth most.
    #[serde(serialize_with = "show::maybe")]
    pub best_at: Option<Instant>,
    /// What it is worth then, 0 to 1.
    #[serde(serialize_with = "show::maybe_coarse")]
    pub best_grade: Option<f64>,
    /// Where to point in each dark window; in the moonlit ones where there is no dark one.
    pub pointing: Vec<Pointing>,
}

impl NightSky<'_> {
    /// The way of a subject. What wanders from night to night stands where it does at the window's midnight.
    ///
    /// # Errors
    /// A date outside 1990 to 2060.
    pub fn path_of(&self, subject: &Subject) -> Result<Path, DateError> {
        Ok(self.path(&subject.target_at(self.window.midnight)?))
    }

    /// The night of one subject.
    ///
    /// # Errors
    /// A date outside 1990 to 2060.
    pub fn subject(&self, subject: &Subject) -> Result<SubjectNight, DateError> {
        let path = self.path_of(subject)?;
        let up = self.over_skyline(&path);
        let windows = up.and(&self.dark);
        let at_night = up.and(&self.night);
        let worth = self.worth(&path, &at_night);
        let pointing = match windows.seconds() > 0.0 {
            true => self.pointing(&path, &windows, false),
            false => self.pointing(&path, &at_night, true),
        };
        let after = |spans: &Spans| spans.after(self.window.from);
        Ok(SubjectNight {
            name: subject.name.clone(),
            kind: subject.kind,
            windows: after(&windows),
            minutes: windows.minutes(),
            over_skyline: after(&up),
            culmination: path.culminations().into_iter().next(),
            graded_minutes: worth.graded_minutes,
            moon_cost_mag: worth.moon_cost_mag,
            best_at: worth.best.map(|(at, _)| self.window.from.plus_seconds(at)),
            best_grade: worth.best.map(|(_, grade)| grade),
            pointing,
        })
    }
}
