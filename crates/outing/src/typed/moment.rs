//! Times of day, and moments by the site's clock or by UTC.

use jiff::civil::{Date, DateTime, Time};
use jiff::tz::{AmbiguousOffset, TimeZone};
use nightloom_sky::Instant;

use super::{TypedError, date, plain};

/// A moment as it was typed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum MomentTyped {
    /// With its offset from UTC.
    At(Instant),
    /// Date and time by the site's clock, with the zone's letters where they were typed.
    Local(DateTime, Option<String>),
    /// A time of day by the site's clock, in the night that is asked about.
    Clock(Time, Option<String>),
}

/// A moment: `2026-08-12T20:30:00Z`, with another offset, `2027-01-09 21:30` by the site's clock, or a time of the
/// night, `9:30pm`.
///
/// # Errors
/// No such day or time.
pub fn moment(text: &str) -> Result<MomentTyped, TypedError> {
    let found = plain(text);
    if let Ok(instant) = found.parse::<Instant>() {
        return Ok(MomentTyped::At(instant));
    }
    let (body, zone) = zone_apart(&found);
    if let Some((day, time)) = day_and_time(body) {
        let local = date(day)?.to_datetime(clock_time(time)?);
        return in_zone(local, zone, text);
    }
    match date(body) {
        Ok(day) => Err(TypedError::said(format!(
            "{day} has no time; write {day} 21:30 by the site's clock, or {day}T21:30:00Z in UTC"
        ))),
        Err(_) => match (clock_time(body)?, zone) {
            (_, Some(zone)) if offset(zone).is_some() => Err(TypedError::said(format!(
                "“{}” has an offset but no date; write it like 2027-01-09T21:30:00Z, or {body} by the site's clock",
                text.trim()
            ))),
            (time, zone) => Ok(MomentTyped::Clock(time, zone.map(str::to_owned))),
        },
    }
}

/// Letters of a zone or an offset behind a time, apart from it.
fn zone_apart(text: &str) -> (&str, Option<&str>) {
    let Some((before, last)) = text.rsplit_once(' ') else {
        return match text.strip_suffix(['Z', 'z']) {
            Some(before) => (before, Some("Z")),
            None => (text, None),
        };
    };
    let clock = last.to_lowercase().replace('.', "");
    let zone = match clock.as_str() {
        "am" | "pm" => false,
        _ => offset(last).is_some() || (last.len() <= 5 && last.bytes().all(|c| c.is_ascii_uppercase())),
    };
    if zone {
        (before.trim_end(), Some(last))
    } else {
        (text, None)
    }
}

/// Seconds east of UTC that are told: `Z`, `UTC`, `+02:00`, `UTC+2`.
fn offset(zone: &str) -> Option<i32> {
    let zone = zone
        .strip_prefix("UTC")
        .or(zone.strip_prefix("GMT"))
        .unwrap_or(match zone {
            "UT" => "",
            other => other,
        });
    if zone.is_empty() {
        return Some(0);
    }
    let hours = zone.strip_prefix(['+', '-']).filter(|h| h.len() <= 2);
    match hours.and_then(|h| h.parse::<i32>().ok()).filter(|h| *h <= 14) {
        Some(hours) => Some(if zone.starts_with('-') { -3600 } else { 3600 } * hours),
        None => crate::offset_seconds(zone),
    }
}

fn in_zone(local: DateTime, zone: Option<&str>, text: &str) -> Result<MomentTyped, TypedError> {
    let Some(seconds) = zone.and_then(offset) else {
        return Ok(MomentTyped::Local(local, zone.map(str::to_owned)));
    };
    let at = jiff::tz::Offset::from_seconds(seconds).and_then(|o| o.to_timestamp(local));
    match at {
        Ok(at) => Ok(MomentTyped::At(Instant::from_timestamp(at))),
        Err(_) => Err(TypedError::said(format!("“{}” is out of reach", text.trim()))),
    }
}

/// Date and time apart: at the `T` of an ISO date, or at the blank before the time.
fn day_and_time(text: &str) -> Option<(&str, &str)> {
    let iso = text.split_once(['T', 't']).filter(|(day, time)| {
        day.ends_with(|c: char| c.is_ascii_digit()) && time.starts_with(|c: char| c.is_ascii_digit())
    });
    if iso.is_some() {
        return iso;
    }
    // The date may have blanks itself, and so may the time: 9 Jan 2027 9:30 pm.
    let blanks: Vec<usize> = text.match_indices(' ').map(|(at, _)| at).collect();
    let halves = blanks
        .iter()
        .map(|&at| (text[..at].trim_end_matches(','), text[at..].trim()));
    halves
        .clone()
        .find(|(day, time)| date(day).is_ok() && clock_time(time).is_ok())
        .or_else(|| halves.clone().find(|(day, _)| date(day).is_ok()))
        .or_else(|| {
            halves
                .into_iter()
                .find(|(day, time)| day.len() >= 8 && clock_time(time).is_ok())
        })
}

/// A time of day: `21:30`, `21:30:15`, `9:30pm`, `9 pm`, `21h30`, `21.30`, `2130`.
///
/// # Errors
/// No such time; an hour alone that may be of the morning or the evening.
pub fn clock_time(text: &str) -> Result<Time, TypedError> {
    let found = plain(text).to_lowercase();
    let unread = || {
        TypedError::said(format!(
            "expected a time of day, like 21:30 or 9:30 pm, found “{}”",
            text.trim()
        ))
    };
    match found.as_str() {
        "noon" => return Ok(jiff::civil::time(12, 0, 0, 0)),
        "midnight" => return Ok(Time::midnight()),
        _ => {}
    }
    let bare = found.replace("a.m.", "am").replace("p.m.", "pm");
    let (figures, half) = match (bare.strip_suffix("am"), bare.strip_suffix("pm")) {
        (Some(rest), _) => (rest.trim_end(), Some(false)),
        (_, Some(rest)) => (rest.trim_end(), Some(true)),
        _ => (bare.as_str(), None),
    };
    let [hour, minute, second] = parts(figures, half.is_some()).ok_or_else(unread)?;
    let hour = match half {
        Some(_) if !(1..=12).contains(&hour) => return Err(twice(text, hour, minute)),
        Some(afternoon) => hour % 12 + if afternoon { 12 } else { 0 },
        None => hour,
    };
    Time::new(hour, minute, second, 0).map_err(|_| {
        TypedError::said(format!(
            "there is no {}; hours go to 23, minutes and seconds to 59: midnight is 00:00",
            text.trim()
        ))
    })
}

/// An hour of 24 with am or pm.
fn twice(text: &str, hour: i8, minute: i8) -> TypedError {
    let hint = match hour {
        13..=23 => format!("write {hour}:{minute:02} or {}:{minute:02} pm", hour - 12),
        _ => "hours with am or pm go from 1 to 12".into(),
    };
    TypedError::said(format!("there is no “{}”; {hint}", text.trim()))
}

/// Hour, minute and second. An hour alone needs `with_half`, am or pm, or an `h`.
fn parts(text: &str, with_half: bool) -> Option<[i8; 3]> {
    if text.len() == 4 && text.bytes().all(|c| c.is_ascii_digit()) {
        return Some([text[..2].parse().ok()?, text[2..].parse().ok()?, 0]);
    }
    let by_hour = text.contains('h');
    let mut out = [0; 3];
    let figures: Vec<&str> = text
        .trim_end_matches('h')
        .split([':', 'h', '.'])
        .map(str::trim)
        .collect();
    if figures.len() > 3 || (figures.len() == 1 && !with_half && !by_hour) {
        return None;
    }
    for (to, figure) in out.iter_mut().zip(&figures) {
        if figure.is_empty() || figure.len() > 2 || !figure.bytes().all(|c| c.is_ascii_digit()) {
            return None;
        }
        *to = figure.parse().ok()?;
    }
    // 21:3 may be 21:03 or 21:30.
    let whole = figures.iter().skip(1).all(|f| f.len() == 2);
    whole.then_some(out)
}

impl MomentTyped {
    /// The instant, by the site's zone; a time alone lies in the night of that evening, from noon to noon.
    ///
    /// # Errors
    /// A time that the site's clock skips or shows twice, letters that are not the zone's, or a time alone without an
    /// evening.
    pub fn instant(&self, zone: &TimeZone, evening: Option<Date>) -> Result<Instant, TypedError> {
        match self {
            Self::At(instant) => Ok(*instant),
            Self::Local(local, letters) => of_clock(zone, *local, letters.as_deref()),
            Self::Clock(time, letters) => {
                let evening = evening.ok_or_else(|| {
                    TypedError::said(format!("{time} has no date; write it like 2027-01-09 {time}"))
                })?;
                let noon = jiff::civil::time(12, 0, 0, 0);
                let day = if *time < noon {
                    evening.tomorrow()
                } else {
                    Ok(evening)
                };
                let day =
                    day.map_err(|_| TypedError::said(format!("the evening {evening} is out of reach")))?;
                of_clock(zone, day.to_datetime(*time), letters.as_deref())
            }
        }
    }
}

fn of_clock(zone: &TimeZone, local: DateTime, letters: Option<&str>) -> Result<Instant, TypedError> {
    let out_of_reach = || TypedError::said(format!("{local} is out of reach"));
    let told = |offset: jiff::tz::Offset| format!("{local}{offset:#}");
    let ambiguous = zone.to_ambiguous_timestamp(local);
    let at = match ambiguous.offset() {
        AmbiguousOffset::Unambiguous { offset } => offset.to_timestamp(local).map_err(|_| out_of_reach())?,
        AmbiguousOffset::Gap { before, after } => {
            return Err(TypedError::said(format!(
                "the site's clock skips {local}; write {} or {}",
                told(before),
                told(after)
            )));
        }
        AmbiguousOffset::Fold { before, after } => {
            let of_letters = [before, after].into_iter().find(|offset| {
                let at = offset.to_timestamp(local);
                at.is_ok_and(|at| letters == Some(zone.to_offset_info(at).abbreviation()))
            });
            let Some(offset) = of_letters else {
                return Err(TypedError::said(format!(
                    "the site's clock shows {local} twice; write {} or {}",
                    told(before),
                    told(after)
                )));
            };
            offset.to_timestamp(local).map_err(|_| out_of_reach())?
        }
    };
    match letters {
        Some(letters) if letters != zone.to_offset_info(at).abbreviation() => Err(TypedError::said(format!(
            "{letters} is not the site's time then, which is {}; leave the letters out, or write an offset, like {}",
            zone.to_offset_info(at).abbreviation(),
            told(zone.to_offset(at))
        ))),
        _ => Ok(Instant::from_timestamp(at)),
    }
}
