//! Moments in time, always UTC.

use std::fmt;
use std::str::FromStr;

use jiff::{SignedDuration, Timestamp};

/// 37 leap seconds and TT − TAI = 32.184 s; used only where the table does not reach.
const LATEST_TT_MINUS_UTC_S: f64 = 69.184;

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
    /// The TT Julian date in two parts, through the leap-second table (last entry 2017, 37 s).
    pub fn julian_date_tt(self) -> (f64, f64) {
        let (jd, fraction) = self.julian_date_utc();
        sofars::ts::utctai(jd, fraction)
            .and_then(|(tai, part)| sofars::ts::taitt(tai, part))
            .unwrap_or((jd, fraction + LATEST_TT_MINUS_UTC_S / 86_400.0))
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
