//! Apparent places: where a target stands for one site at one instant.
//!
//! [`Observer`] holds all that depends on site and instant alone, so that each further target costs well under a
//! microsecond; [`Watch`] makes observers through a night or a year at a few microseconds each.

mod observer;
mod orientation;
mod parallax;
mod target;
mod watch;

use nalgebra::UnitVector3;

pub use observer::Observer;
pub use orientation::EarthOrientation;
pub use target::{Star, Target};
pub use watch::Watch;

use crate::{Angle, DateError, SiteError};

/// Why there is no place to give.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum PlaceError {
    /// The site is none on Earth.
    #[error(transparent)]
    Site(#[from] SiteError),
    /// The date is outside the years held.
    #[error(transparent)]
    Date(#[from] DateError),
    /// UT1 − UTC, or the pole's coordinates, cannot be.
    #[error("{what} is {found}; expected {expected}, as the IERS publishes it")]
    Orientation {
        /// Which figure.
        what: &'static str,
        /// What it must be.
        expected: &'static str,
        /// What it is.
        found: f64,
    },
}

/// Where a target stands.
///
/// Topocentric: from the site itself, with light time, light deflection by the sun, annual and diurnal aberration
/// and parallax. The angles are those of the true equator and equinox of date, or of the site's horizon.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Place {
    /// Above the astronomical horizon, *without* refraction. The centre of a disc.
    pub altitude: Angle,
    /// From true north through east, 0° to 360°.
    pub azimuth: Angle,
    /// Above the astronomical horizon, lifted by refraction ([`crate::Air::lifted_altitude`]).
    pub refracted_altitude: Angle,
    /// Apparent right ascension of date, from the true equinox, 0° to 360°.
    pub right_ascension_of_date: Angle,
    /// Apparent declination of date.
    pub declination_of_date: Angle,
    /// Local hour angle, west positive, −180° to 180°.
    pub hour_angle: Angle,
    /// Distance from the observer at that instant in kilometres; none for stars.
    pub distance_km: Option<f64>,
    /// Half the disc's angular diameter; 0 for stars and comets.
    pub semidiameter: Angle,
    /// The airless direction in the ground frame: x east, y north, z up.
    pub ground: UnitVector3<f64>,
}
