//! Where sun, moon and planets are: JPL's DE440 in compact form, 1990 to 2060.
//!
//! Why a fit and not a theory: the moon theories at hand are 5″ off (0.4 s of moonrise) and the planets' up to
//! 27″; a year of nights asks for the moon 100 000 times, and a sum of nine terms is a hundred times faster than a
//! series of hundreds. The price is half a megabyte and an end to the years.

mod chebyshev;
mod comet;
mod layout;

use nalgebra::Vector3;

pub use comet::{CometOrbit, OrbitError};

use crate::Instant;

/// Kilometres in an astronomical unit (IAU 2012 resolution B2).
pub(crate) const AU_KM: f64 = 149_597_870.7;
/// Kilometres that light goes in a day (exact).
pub(crate) const LIGHT_KM_A_DAY: f64 = 299_792.458 * 86_400.0;
/// The Earth's mass in moons (DE440, Park et al. 2021, AJ 161, 105).
const EARTH_OVER_MOON: f64 = 81.300_568_221_497_22;

/// From and until when places are given, seconds after 1970: 1990 to 2060 and a day more at each end, so that every
/// night that begins in those years is whole in any zone.
const FROM_S: i64 = 631_152_000 - 86_400;
const UNTIL_S: i64 = 2_871_763_200 + 86_400;

/// A date for which no places are held.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{asked} is outside 1990 to 2060, the years whose positions are built in; choose a date in them")]
pub struct DateError {
    /// What was asked for.
    pub asked: Instant,
}

/// Sun, moon and the planets.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum SolarBody {
    /// The sun.
    Sun,
    /// The moon.
    Moon,
    /// Mercury.
    Mercury,
    /// Venus.
    Venus,
    /// Mars.
    Mars,
    /// Jupiter; its moons pull the planet up to 0.07″ from the common centre that is given.
    Jupiter,
    /// Saturn; within 0.05″, as Jupiter.
    Saturn,
    /// Uranus.
    Uranus,
    /// Neptune.
    Neptune,
}

impl SolarBody {
    /// All of them, from the sun outwards after the two great lights.
    pub const ALL: [Self; 9] = [
        Self::Sun,
        Self::Moon,
        Self::Mercury,
        Self::Venus,
        Self::Mars,
        Self::Jupiter,
        Self::Saturn,
        Self::Uranus,
        Self::Neptune,
    ];

    /// English name, in small letters for sun and moon.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Sun => "sun",
            Self::Moon => "moon",
            Self::Mercury => "Mercury",
            Self::Venus => "Venus",
            Self::Mars => "Mars",
            Self::Jupiter => "Jupiter",
            Self::Saturn => "Saturn",
            Self::Uranus => "Uranus",
            Self::Neptune => "Neptune",
        }
    }

    /// Radius of the disc in kilometres: the sun's nominal radius (IAU 2015 resolution B3), the moon's mean radius,
    /// the planets' equatorial radii (IAU working group report 2015, Archinal et al. 2018).
    pub(crate) const fn radius_km(self) -> f64 {
        match self {
            Self::Sun => 695_700.0,
            Self::Moon => 1737.4,
            Self::Mercury => 2440.53,
            Self::Venus => 6051.8,
            Self::Mars => 3396.19,
            Self::Jupiter => 71_492.0,
            Self::Saturn => 60_268.0,
            Self::Uranus => 25_559.0,
            Self::Neptune => 24_764.0,
        }
    }
}

/// Checks that places are held for an instant.
pub(crate) fn check_date(instant: Instant) -> Result<(), DateError> {
    let second = instant.timestamp().as_second();
    if (FROM_S..UNTIL_S).contains(&second) {
        Ok(())
    } else {
        Err(DateError { asked: instant })
    }
}

/// Days of `instant` since the file's beginning. TT stands in for TDB: 1.7 ms at most, 0.001″ of the moon.
pub(crate) fn days(instant: Instant) -> f64 {
    let (tt, fraction) = instant.julian_date_tt();
    tt - layout::FIRST_JD + fraction
}

/// The body's place against the barycentre of the solar system, kilometres, ICRS axes.
pub(crate) fn barycentric(body: SolarBody, days: f64) -> Vector3<f64> {
    match body {
        SolarBody::Sun => layout::SUN.position(days),
        SolarBody::Moon => layout::EMB.position(days) + layout::MOON.position(days) * EARTH_SHARE,
        SolarBody::Mercury => layout::MERCURY.position(days),
        SolarBody::Venus => layout::VENUS.position(days),
        SolarBody::Mars => layout::MARS.position(days),
        SolarBody::Jupiter => layout::JUPITER.position(days),
        SolarBody::Saturn => layout::SATURN.position(days),
        SolarBody::Uranus => layout::URANUS.position(days),
        SolarBody::Neptune => layout::NEPTUNE.position(days),
    }
}

/// A small body's place against the barycentre of the solar system, kilometres, ICRS axes.
pub(crate) fn barycentric_of_orbit(orbit: &CometOrbit, days: f64) -> Vector3<f64> {
    layout::SUN.position(days) + orbit.heliocentric(days)
}

/// From an observer now to where a body was when its light left it.
pub(crate) struct LightLine {
    /// Kilometres, from the observer to the body.
    pub(crate) line: Vector3<f64>,
    /// The body against the barycentre, then.
    pub(crate) there: Vector3<f64>,
    /// When the light left, days of the ephemeris.
    pub(crate) left: f64,
    /// How far the body is now, kilometres. (The line's length has the observer's own way since in it: 30 km for the
    /// moon.)
    pub(crate) distance_km: f64,
}

/// `place` gives kilometres against the barycentre at days of the ephemeris.
pub(crate) fn light_line(place: impl Fn(f64) -> Vector3<f64>, here: &Vector3<f64>, days: f64) -> LightLine {
    let (mut there, mut left) = (place(days), days);
    let distance_km = (there - here).norm();
    // Each pass leaves v/c of the error before: after two, 1e-8 of the body's way in its light time.
    for _ in 0..2 {
        left = days - (there - here).norm() / LIGHT_KM_A_DAY;
        there = place(left);
    }
    LightLine {
        line: there - here,
        there,
        left,
        distance_km,
    }
}

/// The Earth's part of the mass of Earth and moon, and the moon's.
const EARTH_SHARE: f64 = EARTH_OVER_MOON / (1.0 + EARTH_OVER_MOON);
const MOON_SHARE: f64 = 1.0 / (1.0 + EARTH_OVER_MOON);

/// The Earth's centre against the barycentre of the solar system: kilometres, and kilometres a day.
pub(crate) fn earth(days: f64) -> (Vector3<f64>, Vector3<f64>) {
    let both = layout::EMB.state(days);
    let moon = layout::MOON.state(days);
    (
        both.position - moon.position * MOON_SHARE,
        both.velocity - moon.velocity * MOON_SHARE,
    )
}
