//! What can be looked for.

use crate::{Angle, CatalogueStar, CometOrbit, SolarBody};

/// Something in the sky with a place of its own.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Target {
    /// A star, or any direction far outside the solar system.
    Star(Star),
    /// Sun, moon or planet.
    Body(SolarBody),
    /// A comet or other small body.
    Comet(CometOrbit),
}

impl Target {
    /// A direction that does not move: a nebula, a radiant, a point of the Milky Way.
    pub fn fixed(right_ascension: Angle, declination: Angle) -> Self {
        Self::Star(Star::fixed(right_ascension, declination))
    }
}

impl From<Star> for Target {
    fn from(star: Star) -> Self {
        Self::Star(star)
    }
}

impl From<SolarBody> for Target {
    fn from(body: SolarBody) -> Self {
        Self::Body(body)
    }
}

impl From<CometOrbit> for Target {
    fn from(orbit: CometOrbit) -> Self {
        Self::Comet(orbit)
    }
}

impl From<&CatalogueStar> for Target {
    fn from(star: &CatalogueStar) -> Self {
        Self::Star(star.into())
    }
}

/// A star's place and motion in ICRS.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Star {
    /// Right ascension at the epoch.
    pub right_ascension: Angle,
    /// Declination at the epoch.
    pub declination: Angle,
    /// Julian year of the epoch: 2000.0, or 1991.25 for Hipparcos.
    pub epoch: f64,
    /// Proper motion in right ascension times cos(declination), a Julian year.
    pub motion_east: Angle,
    /// Proper motion in declination, a Julian year.
    pub motion_north: Angle,
    /// Parallax; 0 when unknown, which costs 0.75″ for the nearest star.
    pub parallax: Angle,
    /// Radial velocity, receding positive, kilometres a second. It counts only with a parallax.
    pub radial_velocity_km_s: f64,
}

impl Star {
    /// A direction that does not move.
    pub const fn fixed(right_ascension: Angle, declination: Angle) -> Self {
        Self {
            right_ascension,
            declination,
            epoch: 2000.0,
            motion_east: Angle::from_rad(0.0),
            motion_north: Angle::from_rad(0.0),
            parallax: Angle::from_rad(0.0),
            radial_velocity_km_s: 0.0,
        }
    }
}

impl From<&CatalogueStar> for Star {
    fn from(star: &CatalogueStar) -> Self {
        Self {
            right_ascension: star.right_ascension,
            declination: star.declination,
            epoch: 1991.25,
            motion_east: star.motion_east,
            motion_north: star.motion_north,
            parallax: super::parallax::parallax(star.hip),
            radial_velocity_km_s: 0.0,
        }
    }
}
