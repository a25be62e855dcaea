//! The nights and times when a subject stands in a box of the sky.

use jiff::civil::Date;
use serde::Serialize;

use super::region::{Boxed, OverRidge, SkyBox, when_inside};
use super::sky::NightSky;
use super::span::Spans;
use super::{NightError, Nights, ShowerRate, Span, show};
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
    /// How many meteors, if the subject is a shower whose rate is known.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub shower: Option<ShowerRate>,
}

impl Chance {
    /// What answers are sorted by.
    fn rank(&self) -> f64 {
        self.shower.map_or(self.worth_minutes, |s| s.rate_per_h)
    }
}

impl Nights {
    /// Every time in the span when the subject stands in the box, over the skyline and in the dark, sorted by worth, a
    /// shower by its rate; of equals the earlier first. A shower is looked for while it is active, moonlit nights too:
    /// what the moon costs is in the rate.
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
            let by_worth = b.rank().total_cmp(&a.rank());
            by_worth.then(a.span.from.cmp(&b.span.from))
        });
        Ok(chances)
    }
}

impl NightSky<'_> {
    fn chances(&self, question: &WhenQuestion) -> Result<Vec<Chance>, DateError> {
        let shower = question.subject.shower();
        let moonlit = question.moonlit || shower.is_some();
        let allowed = if moonlit { &self.night } else { &self.dark };
        let at_rest = shower.is_some_and(|s| !s.is_active(self.window.evening));
        if allowed.seconds() == 0.0 || at_rest {
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
            for span in long {
                let mut chance = self.chance(&path, span);
                if let Some(shower) = shower {
                    chance.shower = self.shower_rate(shower, &path, span)?;
                    chance.best_at = chance.shower.map(|s| s.best_at).or(chance.best_at);
                }
                chances.push(chance);
            }
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
            shower: None,
        }
    }
}
