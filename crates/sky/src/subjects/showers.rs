//! Meteor showers and their radiants.

use std::sync::LazyLock;

use nalgebra::Vector3;

use super::zodiacal::{ecliptic_from_icrs, solar_longitude};
use super::{Subject, SubjectKind, Whereabouts, number, rows};
use crate::{Angle, DateError, Instant, Target};

/// Transcribed by hand; its head says from where.
static TABLE: &str = include_str!("../../data/showers.csv");

static ALL: LazyLock<Vec<Shower>> =
    LazyLock::new(|| rows(TABLE, ',').map(|row| Shower::from_row(&row)).collect());

/// A meteor shower, under the number and the letters that the IAU gave it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Shower {
    /// The IAU's number.
    pub number: u16,
    /// The IAU's three letters.
    pub code: &'static str,
    /// Name.
    pub name: &'static str,
    /// First day of its activity, month and day.
    pub from: (i8, i8),
    /// Last day of its activity; before `from` where it runs over the new year.
    pub to: (i8, i8),
    /// The sun's ecliptic longitude at the maximum, equinox J2000.
    pub maximum: Angle,
    /// The radiant's right ascension at the maximum, J2000.
    pub right_ascension: Angle,
    /// The radiant's declination at the maximum, J2000.
    pub declination: Angle,
    /// Speed at which the meteors enter the air, km/s.
    pub speed_km_s: f64,
    /// Meteors an hour at the maximum with the radiant overhead in a dark sky; none where it varies.
    pub zenithal_hourly_rate: Option<f64>,
    /// Read in the published calendar of 2026, not recalled.
    pub read_in_source: bool,
}

/// All that are embedded, through the year from the Quadrantids.
pub fn all() -> &'static [Shower] {
    &ALL
}

impl Shower {
    fn from_row(row: &[&'static str]) -> Self {
        Self {
            number: row[0].parse().unwrap_or_default(),
            code: row[1],
            name: row[2],
            from: day(row[3]),
            to: day(row[4]),
            maximum: Angle::from_deg(number(row[5])),
            right_ascension: Angle::from_deg(number(row[6])),
            declination: Angle::from_deg(number(row[7])),
            speed_km_s: number(row[8]),
            zenithal_hourly_rate: row[9].parse().ok(),
            read_in_source: row[10] == "imo",
        }
    }

    /// The radiant on a day: that of the maximum, moved along the ecliptic with the sun.
    ///
    /// A radiant keeps its ecliptic longitude against the sun within some tenths of a degree a day (common
    /// practice, no source), so this holds within 1° in the week round the maximum, within a few degrees at
    /// the ends of long showers.
    ///
    /// # Errors
    /// A date outside those of the ephemeris.
    pub fn radiant_at(&self, instant: Instant) -> Result<Target, DateError> {
        let passed = (solar_longitude(instant)? - self.maximum).wrapped_180();
        let (sin_ra, cos_ra) = self.right_ascension.rad().sin_cos();
        let (sin_dec, cos_dec) = self.declination.rad().sin_cos();
        let ecliptic = ecliptic_from_icrs();
        let along = nalgebra::Rotation3::from_axis_angle(&Vector3::z_axis(), passed.rad());
        let moved =
            ecliptic.inverse() * along * ecliptic * Vector3::new(cos_dec * cos_ra, cos_dec * sin_ra, sin_dec);
        Ok(Target::fixed(
            Angle::from_rad(moved.y.atan2(moved.x)).wrapped_360(),
            Angle::from_rad(moved.z.clamp(-1.0, 1.0).asin()),
        ))
    }
}

/// "07-17" as month and day.
fn day(field: &str) -> (i8, i8) {
    let (month, day) = field.split_once('-').unwrap_or_default();
    (month.parse().unwrap_or_default(), day.parse().unwrap_or_default())
}

pub(super) fn subjects() -> impl Iterator<Item = Subject> {
    ALL.iter().map(|shower| {
        let named = Subject::new(
            shower.name,
            SubjectKind::MeteorShower,
            Whereabouts::Radiant(shower),
        );
        named.also([shower.code])
    })
}
