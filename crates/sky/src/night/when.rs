//! The nights and times when a subject stands in a box of the sky.

use jiff::civil::Date;
use serde::Serialize;

use super::region::{Boxed, OverRidge, SkyBox, when_inside};
use super::sky::NightSky;
use super::span::Spans;
use super::{NightError, Nights, Span, show};
use crate::subjects::Subject;
use crate::{DateError, Instant, PlaceError};

/// What is asked.
#[derive(Clone, Debug, PartialEq)]
pub struct WhenQuestion {
    /// The subject.
    pub subject: Subject,
    /// Where it is to stand; its altitudes are apparent ones.
    pub sky_box: SkyBox,
    /// Whether times with the moon up count, by their grade. The sun is below −18° in any case.
    pub moonlit: bool,
    /// Shorter spans are left out, minutes.
    pub least_minutes: f64,
}

/// One time when the subject stands in the box, over the skyline and in the dark.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Chance {
    /// The date on which the night begins.
    pub evening: Date,
    /// Beginning and end.
    #[serde(flatten)]
    pub span: Span,
    /// Minutes, each times its grade ([`crate::brightness::SkyOverSite::grade`]): as many minutes on the subject at the
    /// zenith of the dark, moonless sky would give the same. Answers are sorted by it.
    #[serde(serialize_with = "show::minutes")]
    pub worth_minutes: f64,
    /// What the moon costs at the subject in the mean, magnitudes.
    #[serde(serialize_with = "show::maybe_coarse")]
    pub moon_cost_mag: Option<f64>,
    /// When a minute is worth most.
    #[serde(serialize_with = "show::maybe")]
    pub best_at: Option<Instant>,
    /// Apparent altitude at the middle of the span, degrees.
    #[serde(serialize_with = "show::coarse")]
    pub altitude_deg: f64,
    /// Azimuth at the middle of the span, degrees.
    #[serde(serialize_with = "show::coarse")]
    pub azimuth_deg: f64,
}

impl Nights {
    /// Every time in the span when the subject stands in the box, over the skyline and in the dark, sorted by worth,
    /// of equals the earlier first.
    ///
    /// # Errors
    /// A box upside down; a date outside 1990 to 2060.
    pub fn when(&self, question: &WhenQuestion) -> Result<Vec<Chance>, NightError> {
        let (least, greatest) = (
            question.sky_box.least_altitude,
            question.sky_box.greatest_altitude,
        );
        if least >= greatest || least.deg() < -90.0 || greatest.deg() > 90.0 {
            return Err(NightError::Box {
                least_deg: least.deg(),
                greatest_deg: greatest.deg(),
            });
        }
        let mut chances = Vec::new();
        for window in self.windows() {
            let found = NightSky::over(self, window)?.chances(question);
            chances.extend(found.map_err(PlaceError::from)?);
        }
        chances.sort_by(|a, b| {
            let by_worth = b.worth_minutes.total_cmp(&a.worth_minutes);
            by_worth.then(a.span.from.cmp(&b.span.from))
        });
        Ok(chances)
    }
}

impl NightSky<'_> {
    fn chances(&self, question: &WhenQuestion) -> Result<Vec<Chance>, DateError> {
        let allowed = if question.moonlit { &self.night } else { &self.dark };
        if allowed.seconds() == 0.0 {
            return Ok(Vec::new());
        }
        let path = self.path_of(&question.subject)?;
        let air = &self.nights.air;
        let boxed = Boxed {
            sky_box: &question.sky_box,
            air,
        };
        let over = OverRidge {
            ridge: &self.nights.ridge,
            air,
        };
        let region = (boxed, over);
        let mut chances = Vec::new();
        for (from, to) in allowed.iter() {
            let inside = when_inside(&path, &region, from, to);
            let long = inside
                .iter()
                .filter(|(a, b)| b - a >= question.least_minutes * 60.0);
            chances.extend(long.map(|span| self.chance(&path, span)));
        }
        Ok(chances)
    }

    fn chance(&self, path: &super::Path, (from, to): (f64, f64)) -> Chance {
        let spans = Spans::from_changes(true, from, &[], to);
        let worth = self.worth(path, &spans);
        let middle = from + (to - from) / 2.0;
        let start = self.window.from;
        Chance {
            evening: self.window.evening,
            span: Span {
                from: start.plus_seconds(from),
                to: start.plus_seconds(to),
            },
            worth_minutes: worth.graded_minutes,
            moon_cost_mag: worth.moon_cost_mag,
            best_at: worth.best.map(|(at, _)| start.plus_seconds(at)),
            altitude_deg: self.nights.air.lifted_altitude(path.altitude(middle)).deg(),
            azimuth_deg: path.azimuth(middle).deg(),
        }
    }
}
