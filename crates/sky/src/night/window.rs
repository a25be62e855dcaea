//! A night as people count it: from noon to noon of the site's clock, by the evening's date.

use jiff::ZonedDateTime;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use serde::Serialize;

use super::show;
use crate::Instant;

/// The first and the last year whose evenings are answered.
pub const YEARS: std::ops::RangeInclusive<i16> = 1990..=2060;

/// One night: from local noon of the evening's date to local noon of the next date.
///
/// 24 hours long, but for nights in which the clocks are changed.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Window {
    /// The date on which the night begins.
    pub evening: Date,
    /// IANA name of the zone, or its offset.
    pub zone: String,
    /// Noon of that date.
    #[serde(serialize_with = "show::instant")]
    pub from: Instant,
    /// The first instant of the next date: the midnight that ends the evening.
    #[serde(serialize_with = "show::instant")]
    pub midnight: Instant,
    /// Noon of the next date.
    #[serde(serialize_with = "show::instant")]
    pub to: Instant,
}

/// An evening that cannot be answered.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum WindowError {
    /// Outside the years.
    #[error(
        "the date {evening} is outside {} to {}, the years whose positions are built in; choose an evening in them",
        YEARS.start(),
        YEARS.end()
    )]
    Years {
        /// The evening asked for.
        evening: Date,
    },
    /// The zone's clocks jumped over it.
    #[error(
        "there was no {evening} in the zone {zone}: its clocks left that date out; choose the date before or after"
    )]
    LeftOut {
        /// The evening asked for.
        evening: Date,
        /// The zone.
        zone: String,
    },
}

impl Window {
    /// The night that begins on `evening` in `zone`.
    ///
    /// Midnight is the first instant of the next date, also where clocks are put forward at 0 h; of two
    /// midnights or noons it is the first.
    ///
    /// # Errors
    /// An evening outside 1990 to 2060, or on a date that the zone left out.
    pub fn of(evening: Date, zone: &TimeZone) -> Result<Self, WindowError> {
        let outside = || WindowError::Years { evening };
        if !YEARS.contains(&evening.year()) {
            return Err(outside());
        }
        let next = evening.tomorrow().map_err(|_| outside())?;
        let noon = |date: Date| {
            zone.to_zoned_datetime(date.at(12, 0, 0, 0))
                .map_err(|_| outside())
        };
        let from = noon(evening)?;
        if from.date() != evening {
            let zone = zone_name(zone, &from);
            return Err(WindowError::LeftOut { evening, zone });
        }
        let midnight = zone
            .to_zoned_datetime(next.at(0, 0, 0, 0))
            .and_then(|z| z.start_of_day())
            .map_err(|_| outside())?;
        Ok(Self {
            evening,
            zone: zone_name(zone, &from),
            from: Instant::from_timestamp(from.timestamp()),
            midnight: Instant::from_timestamp(midnight.timestamp()),
            to: Instant::from_timestamp(noon(next)?.timestamp()),
        })
    }

    /// Its length in seconds.
    pub fn length_s(&self) -> f64 {
        self.to.seconds_since(self.from)
    }
}

fn zone_name(zone: &TimeZone, at: &ZonedDateTime) -> String {
    match zone.iana_name() {
        Some(name) => name.to_owned(),
        None => at.offset().to_string(),
    }
}
