//! The site's clock, and its offsets for a script that knows no zones.

use jiff::tz::TimeZone;
use nightloom_sky::Instant;
use nightloom_sky::night::Span;
use serde::Serialize;

use super::words::{fill, say};
use crate::evening::{clock_short, offset};

/// The site's clock.
#[derive(Clone, Debug)]
pub struct SiteClock {
    zone: TimeZone,
}

/// An offset from UTC, in use from an instant on.
#[derive(Clone, Debug, Serialize)]
pub struct Offset {
    /// Since when.
    pub from: Instant,
    /// Seconds, east positive.
    pub offset_s: i32,
    /// The zone's letters, or the offset where it has none.
    pub letters: String,
}

impl SiteClock {
    /// By its zone.
    pub fn new(zone: &TimeZone) -> Self {
        Self { zone: zone.clone() }
    }

    /// Clock time to the nearest minute.
    pub fn short(&self, at: Instant) -> String {
        clock_short(&self.zone, at)
    }

    /// The same in UTC.
    pub fn utc(&self, at: Instant) -> String {
        clock_short(&TimeZone::UTC, at)
    }

    /// The zone in words, with a change of clocks if there is one.
    pub fn told(&self, name: &str, span: Span) -> String {
        let zone = format!("{name}, {}", offset(&self.zone, span.from));
        let mut told = fill(say::TIMES_IN, &[("zone", &zone)]);
        for change in self.offsets(span).iter().skip(1) {
            let with = [
                ("zone", &*offset(&self.zone, change.from)),
                ("at", &format!("{} UTC", clock_short(&TimeZone::UTC, change.from))),
            ];
            told.push(' ');
            told.push_str(&fill(say::CLOCK, &with));
        }
        told
    }

    /// The offset at the span's beginning, and every later one in it.
    pub fn offsets(&self, span: Span) -> Vec<Offset> {
        let at = |from: Instant| {
            let info = self.zone.to_offset_info(from.timestamp());
            Offset {
                from,
                offset_s: info.offset().seconds(),
                letters: offset(&self.zone, from)
                    .split(' ')
                    .next()
                    .unwrap_or_default()
                    .to_owned(),
            }
        };
        let changes = self
            .zone
            .following(span.from.timestamp())
            .map(|t| Instant::from_timestamp(t.timestamp()));
        let changes = changes.take_while(|change| *change < span.to);
        std::iter::once(span.from).chain(changes).map(at).collect()
    }
}
