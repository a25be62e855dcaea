//! How figures stand in the JSON: instants with tenths of a second, minutes and degrees without noise.

use jiff::{RoundMode, TimestampRound, Unit};
use serde::{Serialize, Serializer};

use crate::Instant;

/// RFC 3339 in UTC with tenths of a second, rounded to the nearest.
pub(super) fn text(at: Instant) -> String {
    let tenths = TimestampRound::new()
        .smallest(Unit::Millisecond)
        .increment(100)
        .mode(RoundMode::HalfExpand);
    let rounded = at.timestamp().round(tenths).unwrap_or(at.timestamp());
    format!("{rounded:.1}")
}

pub(super) fn instant<S: Serializer>(at: &Instant, out: S) -> Result<S::Ok, S::Error> {
    out.serialize_str(&text(*at))
}

pub(super) fn maybe<S: Serializer>(at: &Option<Instant>, out: S) -> Result<S::Ok, S::Error> {
    at.map(text).serialize(out)
}

pub(super) fn list<S: Serializer>(at: &[Instant], out: S) -> Result<S::Ok, S::Error> {
    out.collect_seq(at.iter().map(|t| text(*t)))
}

fn rounded<S: Serializer>(value: f64, places: i32, out: S) -> Result<S::Ok, S::Error> {
    let scale = 10f64.powi(places);
    let near = (value * scale).round() / scale;
    // No −0.0.
    out.serialize_f64(near + 0.0)
}

/// To a hundredth.
pub(super) fn minutes<S: Serializer>(value: &f64, out: S) -> Result<S::Ok, S::Error> {
    rounded(*value, 2, out)
}

/// To a hundredth.
pub(super) fn maybe_minutes<S: Serializer>(value: &Option<f64>, out: S) -> Result<S::Ok, S::Error> {
    match value {
        Some(value) => rounded(*value, 2, out),
        None => out.serialize_none(),
    }
}

/// To 0.00001, in degrees 0.04″.
pub(super) fn fine<S: Serializer>(value: &f64, out: S) -> Result<S::Ok, S::Error> {
    rounded(*value, 5, out)
}

/// To a thousandth.
pub(super) fn maybe_coarse<S: Serializer>(value: &Option<f64>, out: S) -> Result<S::Ok, S::Error> {
    match value {
        Some(value) => rounded(*value, 3, out),
        None => out.serialize_none(),
    }
}

/// To a thousandth.
pub(super) fn coarse<S: Serializer>(value: &f64, out: S) -> Result<S::Ok, S::Error> {
    rounded(*value, 3, out)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tenths_are_rounded_not_cut() {
        let shown = |t: &str| text(t.parse().expect("an instant"));
        assert_eq!(shown("2024-11-20T15:01:02.96Z"), "2024-11-20T15:01:03.0Z");
        assert_eq!(shown("2024-11-20T23:59:59.949Z"), "2024-11-20T23:59:59.9Z");
    }
}
