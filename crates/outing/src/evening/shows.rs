//! In which units and whose time things are told.

use jiff::tz::TimeZone;
use nightloom_sky::Site;

use crate::typed::{FOOT_M, fahrenheit};

/// What a person wants to read; metres, °C and the site's time when nothing is said.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Shows {
    /// Feet instead of metres.
    pub feet: bool,
    /// UTC instead of the site's time.
    pub utc: bool,
    /// °F instead of °C.
    pub fahrenheit: bool,
}

impl Shows {
    /// A height in whole metres or feet.
    pub fn height(self, metres: f64) -> String {
        if self.feet {
            format!("{:.0} ft", metres / FOOT_M)
        } else {
            format!("{metres:.0} m")
        }
    }

    /// A temperature: `-5.0 °C`, `23.0 °F`.
    pub fn temperature(self, celsius: f64) -> String {
        let (value, unit) = if self.fahrenheit {
            (fahrenheit(celsius), "°F")
        } else {
            (celsius, "°C")
        };
        // No −0, and no 20.0.
        let tenths = (value * 10.0).round() / 10.0 + 0.0;
        format!("{tenths} {unit}")
    }

    /// A difference of temperatures.
    pub fn warmer(self, by_celsius: f64) -> String {
        if self.fahrenheit {
            format!("{:.1} °F", by_celsius * 1.8)
        } else {
            format!("{by_celsius:.1} °C")
        }
    }

    /// A place in words: `45.6600° N, 24.1000° E, 1240 m`.
    pub fn place(self, site: &Site) -> String {
        let sided =
            |value: f64, sides: [char; 2]| format!("{:.4}° {}", value.abs(), sides[usize::from(value < 0.0)]);
        format!(
            "{} {}, {}",
            sided(site.latitude.deg(), ['N', 'S']),
            sided(site.longitude.deg(), ['E', 'W']),
            self.height(site.elevation_m)
        )
    }

    /// The zone in whose time hours are told.
    pub fn zone(self, of_site: &TimeZone) -> TimeZone {
        if self.utc { TimeZone::UTC } else { of_site.clone() }
    }

    /// A place in words, with whose time the hours beside it are where that is not the site's.
    pub fn with_hours(self, place: &str) -> String {
        if self.utc {
            format!("{place}, times in UTC")
        } else {
            place.to_owned()
        }
    }
}
