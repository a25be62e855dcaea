//! Each night of a span, in a few figures.

use jiff::civil::Date;
use serde::Serialize;

use super::sky::NightSky;
use super::{NightError, Nights, show};
use crate::subjects::Subject;
use crate::{DateError, PlaceError};

/// Every night of a span of dates.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Year {
    /// The subject's name, if there is one.
    pub subject: Option<String>,
    /// By evening.
    pub nights: Vec<YearNight>,
}

/// One night of many.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct YearNight {
    /// The date on which it begins.
    pub evening: Date,
    /// Minutes with the sun below −18°.
    #[serde(serialize_with = "show::minutes")]
    pub dark_minutes: f64,
    /// Minutes of those with the moon below the horizon.
    #[serde(serialize_with = "show::minutes")]
    pub moonless_dark_minutes: f64,
    /// Minutes of those with the subject over the skyline.
    #[serde(
        serialize_with = "show::maybe_minutes",
        skip_serializing_if = "Option::is_none"
    )]
    pub subject_minutes: Option<f64>,
    /// Minutes with the sun below −18° and the subject over the skyline, each times its grade.
    #[serde(
        serialize_with = "show::maybe_minutes",
        skip_serializing_if = "Option::is_none"
    )]
    pub graded_minutes: Option<f64>,
    /// What the moon costs at the subject in the mean over those minutes, magnitudes.
    #[serde(
        serialize_with = "show::maybe_coarse",
        skip_serializing_if = "Option::is_none"
    )]
    pub moon_cost_mag: Option<f64>,
}

impl YearNight {
    /// What it is sorted by, minutes: the subject's worth, or else the dark without moon.
    pub fn worth_minutes(&self) -> f64 {
        self.graded_minutes.unwrap_or(self.moonless_dark_minutes)
    }
}

impl Year {
    /// The night of each month that is worth most, with its minutes; months in which none is worth any are left out.
    pub fn best_of_months(&self) -> impl Iterator<Item = (&YearNight, f64)> {
        let month = |night: &YearNight| (night.evening.year(), night.evening.month());
        let months = self.nights.chunk_by(move |a, b| month(a) == month(b));
        months
            .filter_map(|nights| {
                nights
                    .iter()
                    .max_by(|a, b| a.worth_minutes().total_cmp(&b.worth_minutes()))
            })
            .map(|night| (night, night.worth_minutes()))
            .filter(|(_, minutes)| *minutes > 0.0)
    }
}

impl NightSky<'_> {
    fn in_short(&self, subject: Option<&Subject>) -> Result<YearNight, DateError> {
        let figures = |subject: &Subject| {
            let path = self.path_of(subject)?;
            let up = self.over_skyline_at_night(&path);
            let worth = self.worth(&path, &up.and(&self.night));
            Ok((up.and(&self.dark).minutes(), worth))
        };
        let subject = subject.map(figures).transpose()?;
        Ok(YearNight {
            evening: self.window.evening,
            dark_minutes: self.night.minutes(),
            moonless_dark_minutes: self.dark.minutes(),
            subject_minutes: subject.map(|(minutes, _)| minutes),
            graded_minutes: subject.map(|(_, worth)| worth.graded_minutes),
            moon_cost_mag: subject.and_then(|(_, worth)| worth.moon_cost_mag),
        })
    }
}

impl Nights {
    /// Every night of the span in short, for a subject if one is given.
    ///
    /// # Errors
    /// A date outside 1990 to 2060.
    pub fn year(&self, subject: Option<&Subject>) -> Result<Year, NightError> {
        let short = |window| {
            let night = NightSky::over(self, window)?.in_short(subject);
            Ok(night.map_err(PlaceError::from)?)
        };
        Ok(Year {
            subject: subject.map(|s| s.name.clone()),
            nights: self.windows().map(short).collect::<Result<_, NightError>>()?,
        })
    }
}
