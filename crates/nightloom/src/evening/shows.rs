//! In which units and whose time things are told.

use jiff::tz::TimeZone;

/// Metres in a foot, by definition (international yard and pound agreement, 1959).
const FOOT_M: f64 = 0.3048;

/// What a person wants to read; metres and the site's time when nothing is said.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct Shows {
    /// Feet instead of metres.
    pub(crate) feet: bool,
    /// UTC instead of the site's time.
    pub(crate) utc: bool,
}

impl Shows {
    /// A height in whole metres or feet.
    pub(crate) fn height(self, metres: f64) -> String {
        if self.feet {
            format!("{:.0} ft", metres / FOOT_M)
        } else {
            format!("{metres:.0} m")
        }
    }

    /// The zone in whose time hours are told.
    pub(crate) fn zone(self, of_site: &TimeZone) -> TimeZone {
        if self.utc { TimeZone::UTC } else { of_site.clone() }
    }

    /// A place in words, with whose time the hours beside it are where that is not the site's.
    pub(crate) fn with_hours(self, place: &str) -> String {
        if self.utc {
            format!("{place}, times in UTC")
        } else {
            place.to_owned()
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn heights_are_those_of_the_handbooks() {
        // Mount Everest, 8848.86 m or 29 031.7 ft (joint survey of Nepal and China, 2020; from memory).
        let feet = Shows {
            feet: true,
            utc: false,
        };
        assert_eq!(feet.height(8848.86), "29032 ft");
        assert_eq!(Shows::default().height(8848.86), "8849 m");
        assert_eq!(feet.height(0.0), "0 ft");
    }
}
