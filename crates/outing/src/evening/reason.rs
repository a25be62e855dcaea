//! Why there is no dark window, in words, and when there is one again.

use jiff::civil::Date;
use nightloom_sky::night::{Night, Span, SubjectNight, YEARS};

use super::{Evening, EveningError, hours};

/// The sun's centre at sunset and sunrise, degrees.
const HORIZON_DEG: f64 = -0.8333;
/// Nights that are looked at for the next dark one. A year and a month: there is one in it anywhere.
const LOOKED_AT: i32 = 396;
/// How many at once.
const AT_ONCE: i32 = 33;
/// A dark window shorter than this is none, minutes.
const SHORTEST_MIN: f64 = 1.0;

/// What the sun does all through a night, where it does not both set and rise.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SunAlways {
    /// Above the horizon: it is midnight sun.
    Up,
    /// Below it: it is polar night.
    Down,
}

/// Whether the sun stays on one side of the horizon from noon to noon.
pub fn sun_always(night: &Night) -> Option<SunAlways> {
    let lowest = night
        .sun
        .lower_culminations
        .iter()
        .map(|c| c.altitude_deg)
        .reduce(f64::min)?;
    // Where it crosses the horizon nowhere, it is all through on the side where it is at its lowest.
    match (night.sun.sunset, night.sun.sunrise) {
        (None, None) if lowest > HORIZON_DEG => Some(SunAlways::Up),
        (None, None) => Some(SunAlways::Down),
        _ => None,
    }
}

/// Why the night has no dark window, a sentence without its full stop; none if it has one.
pub fn why_no_dark(night: &Night) -> Option<String> {
    if !night.dark.is_empty() {
        return None;
    }
    let limit = night.dark_limit_deg;
    if night.night.is_empty() {
        let lowest = night
            .sun
            .lower_culminations
            .iter()
            .map(|c| c.altitude_deg)
            .reduce(f64::min);
        return Some(match (sun_always(night), lowest) {
            (Some(SunAlways::Up), Some(lowest)) => {
                format!(
                    "midnight sun: the sun does not set, and stands {:.1}° high at its lowest",
                    lowest.max(0.0)
                )
            }
            (Some(SunAlways::Up), None) => "midnight sun: the sun does not set".into(),
            (Some(SunAlways::Down), Some(lowest)) => format!(
                "polar night, but it does not get dark: the sun sinks to {lowest:.1}° only, and {limit:.0}° is dark"
            ),
            (_, Some(lowest)) => {
                format!("it does not get dark: the sun sinks to {lowest:.1}° only, and {limit:.0}° is dark")
            }
            _ => format!("the sun stays above {limit:.0}° all night"),
        });
    }
    Some(format!(
        "the moon is up for all of the {} with the sun below {limit:.0}° ({:.0} % lit)",
        hours(night.night_minutes),
        night.moon.illuminated_fraction * 100.0
    ))
}

/// Why a subject has no window in a night, a sentence without its full stop; none if it has one.
pub fn why_no_window(night: &Night, subject: &SubjectNight) -> Option<String> {
    if !subject.windows.is_empty() {
        return None;
    }
    let name = &subject.name;
    let highest = subject.culmination.map(|c| c.altitude_deg);
    if subject.over_skyline.is_empty() {
        return Some(match highest {
            Some(highest) if highest <= 0.0 => {
                format!(
                    "{name} does not rise that night: it stays {:.0}° below the horizon at its highest",
                    -highest
                )
            }
            Some(highest) => format!("{name} stays behind the land: it is {highest:.0}° high at most"),
            None => format!("{name} does not come over the skyline that night"),
        });
    }
    if night.night.is_empty() {
        return Some(why_no_dark(night).unwrap_or_else(|| "it does not get dark".into()));
    }
    let meet = |a: &[Span], b: &[Span]| a.iter().any(|a| b.iter().any(|b| a.from < b.to && b.from < a.to));
    Some(if meet(&subject.over_skyline, &night.night) {
        format!(
            "the moon is up whenever {name} stands over the skyline in the dark ({:.0} % lit)",
            night.moon.illuminated_fraction * 100.0
        )
    } else {
        format!("{name} stands over the skyline by day and in twilight only")
    })
}

impl Evening {
    /// The first evening after `evening` whose night has a dark, moonless window, and how many minutes it has.
    ///
    /// # Errors
    /// As [`Evening::nights`].
    pub fn next_dark(&self, evening: Date) -> Result<Option<(Date, f64)>, EveningError> {
        for from in (1..LOOKED_AT).step_by(AT_ONCE as usize) {
            let day = |n: i32| {
                evening
                    .checked_add(jiff::Span::new().days(n))
                    .ok()
                    .filter(|d| YEARS.contains(&d.year()))
            };
            let (Some(first), Some(last)) = (day(from), day(from + AT_ONCE - 1)) else {
                return Ok(None);
            };
            let year = self.nights(first, last)?.year(None)?;
            let dark = year
                .nights
                .iter()
                .find(|n| n.moonless_dark_minutes >= SHORTEST_MIN);
            if let Some(night) = dark {
                return Ok(Some((night.evening, night.moonless_dark_minutes)));
            }
        }
        Ok(None)
    }

    /// The next dark night in words, as it stands behind a reason.
    ///
    /// # Errors
    /// As [`Evening::nights`].
    pub fn next_dark_words(&self, evening: Date) -> Result<String, EveningError> {
        Ok(match self.next_dark(evening)? {
            Some((date, minutes)) => {
                format!("the next dark night is that of {date}, with {}", hours(minutes))
            }
            None => "no dark night follows within a year".into(),
        })
    }
}
