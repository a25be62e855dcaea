//! What a night is good for, from place, date and lens alone, the best first, each with its reason.
//!
//! The rank is a score of our own: hours that the subject is worth, as [`nightloom_sky::brightness::SkyOverSite::grade`]
//! weighs them, times how well it suits the lens. How kinds stand against each other is common practice, no source.

mod deep;
mod lights;
mod meeting;

use nightloom_sky::night::{Aim, NightSky};
use nightloom_sky::{DateError, Instant};
use serde::Serialize;

use crate::evening::{Evening, EveningError};

/// A frame's height on the sky when no lens is told, degrees: 24 mm behind a sensor 24 mm high.
const USUAL_FIELD_DEG: f64 = 53.0;

/// One thing worth going out for.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Worthwhile {
    /// What it is.
    pub what: String,
    /// Of which kind, in a word or two.
    pub kind: &'static str,
    /// Its rank: hours of the best sky that it is worth, weighed by how well it suits the lens.
    pub score: f64,
    /// From when.
    pub from: Instant,
    /// Till when.
    pub to: Instant,
    /// The best moment, and where to point then.
    pub best: Aim,
    /// Why, a sentence.
    pub reason: String,
}

/// The camera's field as far as it matters here.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Field {
    /// Height of the frame on the sky, degrees.
    pub height_deg: f64,
}

impl Field {
    /// Of a focal length and a sensor's height, millimetres; a usual one where no lens is told.
    pub fn of(focal_mm: Option<f64>, sensor_height_mm: f64) -> Self {
        let height = |focal: f64| 2.0 * (sensor_height_mm / 2.0 / focal).atan().to_degrees();
        Self {
            height_deg: focal_mm.map_or(USUAL_FIELD_DEG, height),
        }
    }
}

/// Everything worth going out for in a night, the best first.
///
/// # Errors
/// A date outside 1990 to 2060.
pub fn worthwhile(
    evening: &Evening,
    sky: &NightSky<'_>,
    field: Field,
) -> Result<Vec<Worthwhile>, EveningError> {
    let found = || -> Result<Vec<Worthwhile>, DateError> {
        let mut all = deep::milky_way(sky)?;
        all.extend(deep::objects(sky, field)?);
        all.extend(lights::showers(sky)?);
        all.extend(lights::zodiacal(sky)?);
        all.extend(lights::noctilucent(sky, &evening.standpoint.site));
        all.extend(lights::moonlit_land(sky)?);
        all.extend(meeting::planets(sky, field));
        Ok(all)
    };
    let mut all = found().map_err(|e| EveningError::Night(nightloom_sky::PlaceError::from(e).into()))?;
    all.retain(|one| one.score > 0.01);
    all.sort_by(|a, b| b.score.total_cmp(&a.score).then(a.what.cmp(&b.what)));
    Ok(all)
}
