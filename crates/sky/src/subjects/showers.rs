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
    /// Population index r: how many times more meteors there are per fainter magnitude.
    pub population_index: f64,
    /// How fast the rate falls from the maximum, decades a degree of solar longitude, where it was published.
    pub slope: Option<f64>,
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
            population_index: number(row[11]),
            slope: row[12].parse().ok(),
        }
    }

    /// The zenithal hourly rate when the sun stands at a longitude: ZHR_max × 10^(−B |λ − λ_max|), as P. Jenniskens (1994,
    /// A&A 287, 990, eq. 9) describes the annual streams. Where no slope B was published, the rate is taken to fall to
    /// one an hour at the end of the activity that is nearer (common practice, no source).
    pub fn zhr_at(&self, solar_longitude: Angle) -> Option<f64> {
        let most = self.zenithal_hourly_rate?;
        let passed = (solar_longitude - self.maximum).wrapped_180().deg();
        let slope = self
            .slope
            .unwrap_or_else(|| self.slope_by_dates(most, passed > 0.0));
        Some(most * 10f64.powf(-slope * passed.abs()))
    }

    /// Decades a degree from the maximum to one an hour at an end of the activity.
    fn slope_by_dates(&self, most: f64, after: bool) -> f64 {
        let end = mean_longitude_deg(if after { self.to } else { self.from });
        let apart = (Angle::from_deg(end) - self.maximum).wrapped_180().deg().abs();
        most.max(2.0).log10() / apart.max(0.5)
    }

    /// Meteors an hour that one observer sees: ZHR sin h / r^(6.5 − lm), the IMO's formula (J. Rendtel and R. Arlt, eds.,
    /// Handbook for Meteor Observers, IMO 2008, ch. 6) turned round, for an unhindered view and γ = 1. Nothing comes
    /// from a radiant below the horizon.
    pub fn hourly_rate(&self, zhr: f64, radiant_altitude: Angle, limiting_mag: f64) -> f64 {
        zhr * radiant_altitude.sin().max(0.0) * self.population_index.powf(limiting_mag - 6.5)
    }

    /// Whether it is active in the night of an evening, or the one after.
    pub fn is_active(&self, evening: jiff::civil::Date) -> bool {
        let next = evening.tomorrow().unwrap_or(evening);
        let begun = (next.month(), next.day()) >= self.from;
        let not_over = (evening.month(), evening.day()) <= self.to;
        // Some run over the new year.
        if self.from <= self.to {
            begun && not_over
        } else {
            begun || not_over
        }
    }

    /// The maximum next to an instant.
    ///
    /// # Errors
    /// A date outside the ephemeris.
    pub fn maximum_near(&self, instant: Instant) -> Result<Instant, DateError> {
        const DEGREES_A_DAY: f64 = 360.0 / 365.242_19;
        let mut at = instant;
        // Each step leaves a sixtieth of the way, the eccentricity of the Earth's orbit.
        for _ in 0..6 {
            let left = (self.maximum - solar_longitude(at)?).wrapped_180().deg();
            at = at.plus_seconds(left / DEGREES_A_DAY * 86_400.0);
        }
        Ok(at)
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

/// The faintest star that is seen overhead, by the brightness of the sky there in V magnitudes per square arcsecond:
/// 7.93 − 5 log₁₀(10^(4.316 − B/5) + 1), the form in which B. E. Schaefer's law (1990, PASP 102, 212) is commonly used;
/// from memory.
pub fn limiting_mag(sky_mag: f64) -> f64 {
    7.93 - 5.0 * (10f64.powf(4.316 - sky_mag / 5.0) + 1.0).log10()
}

/// The sun's longitude on a date in the mean of years, equinox J2000, within 1°: 280° on the first of January.
fn mean_longitude_deg((month, day): (i8, i8)) -> f64 {
    let date = jiff::civil::Date::new(2023, month, day);
    let days = date.map_or(1, |d| d.day_of_year());
    (280.0 + (f64::from(days) - 1.0) * 0.985_65).rem_euclid(360.0)
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
