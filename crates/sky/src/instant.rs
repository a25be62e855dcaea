//! Moments in time, always UTC.

use std::fmt;
use std::str::FromStr;

use jiff::{SignedDuration, Timestamp};

/// TT − TAI, seconds (exact).
const TT_MINUS_TAI_S: f64 = 32.184;

/// A moment in UTC, read and written as RFC 3339 with `Z`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize)]
#[serde(transparent)]
pub struct Instant(Timestamp);

impl Instant {
    /// From a timestamp.
    pub const fn from_timestamp(timestamp: Timestamp) -> Self {
        Self(timestamp)
    }
    /// The timestamp.
    pub const fn timestamp(self) -> Timestamp {
        self.0
    }
    /// The UTC Julian date in two parts: the integer-plus-half day at 1970 and the days since.
    ///
    /// Leap seconds are not counted, as in every POSIX time; the error of the day fraction is
    /// nil except within a leap second itself.
    pub fn julian_date_utc(self) -> (f64, f64) {
        let seconds = self.0.as_second() as f64 + f64::from(self.0.subsec_nanosecond()) * 1e-9;
        (2_440_587.5, seconds / 86_400.0)
    }
    /// The TT Julian date in two parts, through the leap-second table.
    pub fn julian_date_tt(self) -> (f64, f64) {
        let (jd, fraction) = self.julian_date_utc();
        (jd, fraction + self.tt_minus_utc_s() / 86_400.0)
    }
    /// TT − UTC in seconds: 32.184 s and the leap seconds so far (37 since 2017, taken to stay; nought before 1960).
    pub(crate) fn tt_minus_utc_s(self) -> f64 {
        let date = jiff::tz::Offset::UTC.to_datetime(self.0);
        let (year, month, day) = (date.year(), date.month(), date.day());
        // In 1960 to 1971 UTC drifted; a day's fraction of that is 3 ms, and is let go.
        let leap = sofars::ts::dat(i32::from(year), i32::from(month), i32::from(day), 0.0);
        TT_MINUS_TAI_S + leap.unwrap_or(0.0)
    }
    /// This moment moved by seconds, later when positive.
    pub fn plus_seconds(self, seconds: f64) -> Self {
        let nanos = (seconds * 1e9).round();
        Self(
            self.0
                .saturating_add(SignedDuration::from_nanos_i128(nanos as i128))
                .unwrap_or(self.0),
        )
    }
    /// Seconds from `earlier` to this.
    pub fn seconds_since(self, earlier: Self) -> f64 {
        self.0.duration_since(earlier.0).as_secs_f64()
    }
}

impl fmt::Display for Instant {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

impl FromStr for Instant {
    type Err = jiff::Error;
    fn from_str(text: &str) -> Result<Self, jiff::Error> {
        text.parse().map(Self)
    }
}
