//! Why a subject has no chance, and when a shower has its own.

use jiff::civil::Date;
use nightloom_sky::night::{Chance, WhenQuestion};
use nightloom_sky::subjects::showers::Shower;
use nightloom_sky::{Angle, Instant, PlaceError};
use serde::Serialize;

use super::{Evening, EveningError, why_no_dark};

/// The best night this far from the peak is worth a reason, days.
const APART_D: f64 = 1.0;
/// A sky brighter by this, magnitudes, has a moon that matters (common practice, no source).
const BRIGHTER_MAG: f64 = 0.3;

/// A shower's peak, and the best night here.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ShowerPeak {
    /// When the sun stands at the longitude of the maximum.
    pub peak_at: Instant,
    /// The evening of the best night here.
    pub best_evening: Date,
    /// Why that is not the night of the peak; none where it is within a day of it.
    pub why_not_at_peak: Option<String>,
    /// All that in words.
    #[serde(skip)]
    pub words: String,
}

/// The peak of the shower that is asked about, next to its best night here; none for other subjects.
///
/// # Errors
/// A date outside the ephemeris.
pub fn shower_peak(
    evening: &Evening,
    question: &WhenQuestion,
    chances: &[Chance],
) -> Result<Option<ShowerPeak>, EveningError> {
    let (Some(shower), Some(best)) = (question.subject.shower(), chances.first()) else {
        return Ok(None);
    };
    let Some(best_at) = best.best_at else {
        return Ok(None);
    };
    let peak_at = shower
        .maximum_near(best_at)
        .map_err(PlaceError::from)
        .map_err(no_night)?;
    let apart_d = (best_at.seconds_since(peak_at) / 86_400.0).abs();
    let why_not_at_peak = (apart_d > APART_D).then(|| why_not(shower, peak_at, best, chances));
    let local = evening.hours.to_datetime(peak_at.timestamp());
    let mut words = format!(
        "The {} peak on {} about {:02} h (solar longitude {:.1}°); the best night here begins on {}.",
        shower.name,
        local.date(),
        local.hour(),
        shower.maximum.deg(),
        best.evening
    );
    if let Some(why) = &why_not_at_peak {
        words.push_str(&format!(" It is not the night of the peak, because {why}."));
    }
    Ok(Some(ShowerPeak {
        peak_at,
        best_evening: best.evening,
        why_not_at_peak,
        words,
    }))
}

fn no_night(error: PlaceError) -> EveningError {
    EveningError::Night(error.into())
}

fn why_not(shower: &Shower, peak_at: Instant, best: &Chance, chances: &[Chance]) -> String {
    let apart = |c: &&Chance| {
        c.best_at
            .map_or(f64::INFINITY, |t| t.seconds_since(peak_at).abs())
    };
    let near = chances
        .iter()
        .filter(|c| apart(c) <= APART_D * 86_400.0)
        .max_by(|a, b| rate(a).total_cmp(&rate(b)));
    let (Some(near), Some(of_best)) = (near.and_then(|c| c.shower), best.shower) else {
        return "the radiant does not stand over the skyline in the dark then".into();
    };
    let darker = of_best.limiting_mag - near.limiting_mag;
    let higher = of_best.radiant_altitude_deg - near.radiant_altitude_deg;
    let rates = format!(
        "{:.0} an hour then, {:.0} on the best night",
        near.rate_per_h, of_best.rate_per_h
    );
    // What each would change in the rate, in magnitudes of it.
    let moon = darker * shower.population_index.ln();
    let altitude = (Angle::from_deg(of_best.radiant_altitude_deg).sin().max(1e-6)
        / Angle::from_deg(near.radiant_altitude_deg).sin().max(1e-6))
    .ln();
    if darker >= BRIGHTER_MAG && moon >= altitude {
        format!("the moon is up then and hides the faint ones ({rates})")
    } else if higher > 0.0 && altitude > moon {
        format!("the radiant stands higher in the dark on the best night ({rates})")
    } else {
        format!("the moon is up for longer then ({rates})")
    }
}

fn rate(chance: &Chance) -> f64 {
    chance.shower.map_or(0.0, |s| s.rate_per_h)
}

/// Why there is no chance between two evenings, a sentence without its full stop.
///
/// # Errors
/// As [`Evening::nights`].
pub fn never(
    evening: &Evening,
    question: &WhenQuestion,
    from: Date,
    to: Date,
) -> Result<String, EveningError> {
    let name = &question.subject.name;
    let span = format!("from {from} to {to}");
    if let Some(shower) = question.subject.shower() {
        let mut days = from.series(jiff::Span::new().days(1)).take_while(|d| *d <= to);
        if !days.any(|d| shower.is_active(d)) {
            let (a, b) = (shower.from, shower.to);
            return Ok(format!(
                "the {name} are not active {span}; they are from {:02}-{:02} to {:02}-{:02}",
                a.0, a.1, b.0, b.1
            ));
        }
    }
    let nights = evening.nights(from, to)?;
    let year = nights.year(None)?;
    if year.nights.iter().all(|n| n.dark_minutes <= 0.0) {
        let night = nights.night(from, &[])?;
        let why = why_no_dark(&night).unwrap_or_else(|| "it does not get dark".into());
        return Ok(format!(
            "no night {span} is dark: {why}; {}",
            evening.next_dark_words(to)?
        ));
    }
    let sky = nights.sky(from)?;
    let path = sky
        .path_of(&question.subject)
        .map_err(PlaceError::from)
        .map_err(no_night)?;
    let highest = (0..=288)
        .map(|n| path.altitude(f64::from(n) * 300.0).deg())
        .fold(f64::NEG_INFINITY, f64::max);
    if highest <= 0.0 {
        return Ok(format!(
            "{name} never rises there: it stays {:.0}° below the horizon at its highest",
            -highest
        ));
    }
    if !question.moonlit && year.nights.iter().all(|n| n.moonless_dark_minutes <= 0.0) {
        return Ok(format!(
            "the moon is up all through the dark {span}; allow moonlight with --moonlit, or {}",
            evening.next_dark_words(to)?
        ));
    }
    Ok(format!(
        "{name} never stands there in the dark {span}: it is {highest:.0}° high at most, and up by day, in twilight, in moonlight or outside the box; widen the box or the dates, or allow moonlight with --moonlit"
    ))
}
