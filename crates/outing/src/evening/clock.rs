//! Instants and spans as they are told.

use jiff::tz::TimeZone;
use nightloom_sky::Instant;

/// `EEST = UTC+03:00`, or the offset alone where the zone has no letters for it.
pub fn offset(zone: &TimeZone, at: Instant) -> String {
    let info = zone.to_offset_info(at.timestamp());
    let offset = format!("UTC{}", offset_words(info.offset().seconds()));
    match letters(info.abbreviation()) {
        Some(abbreviation) => format!("{abbreviation} = {offset}"),
        None => offset,
    }
}

/// An offset from UTC in seconds, as `+02:00`, to the minute.
pub fn offset_words(seconds: i32) -> String {
    let sign = if seconds < 0 { '-' } else { '+' };
    let minutes = seconds.unsigned_abs() / 60;
    format!("{sign}{:02}:{:02}", minutes / 60, minutes % 60)
}

/// The tz database writes bare figures where a zone has no letters of its own.
fn letters(abbreviation: &str) -> Option<&str> {
    abbreviation
        .chars()
        .all(char::is_alphabetic)
        .then_some(abbreviation)
}

/// Clock time to the second with the zone's letters: `21:04:12 EEST`.
pub fn clock(zone: &TimeZone, at: Instant) -> String {
    let near = at.plus_seconds(0.5).timestamp();
    let time = zone.to_datetime(near).strftime("%H:%M:%S").to_string();
    match letters(zone.to_offset_info(near).abbreviation()) {
        Some(abbreviation) => format!("{time} {abbreviation}"),
        None => time,
    }
}

/// Clock time to the minute.
pub fn clock_short(zone: &TimeZone, at: Instant) -> String {
    let near = at.plus_seconds(30.0).timestamp();
    zone.to_datetime(near).strftime("%H:%M").to_string()
}

/// Minutes as hours and minutes: `5 h 07`.
pub fn hours(minutes: f64) -> String {
    let whole = minutes.round().max(0.0) as u32;
    format!("{} h {:02}", whole / 60, whole % 60)
}
