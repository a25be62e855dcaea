//! Where on Earth, and the turning sky above it.

use std::ops::RangeInclusive;

use nalgebra::{Matrix3, Rotation3};

use crate::{Angle, Instant};

/// A place on the Earth.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Site {
    /// Geodetic latitude (WGS 84), north positive.
    pub latitude: Angle,
    /// Geodetic longitude, east positive.
    pub longitude: Angle,
    /// Height above the ellipsoid in metres.
    pub elevation_m: f64,
}

/// No place on Earth.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum SiteError {
    /// Latitude beyond the poles.
    #[error("the latitude is {found_deg}; expected -90 to 90 degrees, north positive{}", .swapped.hint())]
    Latitude {
        /// What it is, degrees.
        found_deg: f64,
        /// What was perhaps meant.
        swapped: Swapped,
    },
    /// Longitude beyond a turn.
    #[error("the longitude is {found_deg}; expected -180 to 180 degrees, east positive")]
    Longitude {
        /// What it is, degrees.
        found_deg: f64,
    },
    /// Below the deepest shore or above the highest peak.
    #[error("the elevation is {found_m} m; expected -500 to 9000 m above sea level")]
    Elevation {
        /// What it is, metres.
        found_m: f64,
    },
}

/// Latitude and longitude the other way round, where that would be a place.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Swapped(Option<(f64, f64)>);

impl Swapped {
    /// Latitude and longitude in degrees as they were perhaps meant.
    pub const fn reading(self) -> Option<(f64, f64)> {
        self.0
    }

    fn hint(self) -> String {
        self.0.map_or(String::new(), |(latitude, longitude)| {
            format!("; if the two were swapped, give latitude {latitude} and longitude {longitude}")
        })
    }
}

impl Site {
    /// Elevations that there are, metres: no shore lies lower and no mountain higher.
    pub const ELEVATIONS_M: RangeInclusive<f64> = -500.0..=9000.0;

    /// From degrees (north and east positive) and metres, checked.
    ///
    /// # Errors
    /// What is beyond the poles, beyond a half turn or beyond any mountain; two swapped figures are offered the
    /// right way round.
    pub fn new(latitude_deg: f64, longitude_deg: f64, elevation_m: f64) -> Result<Self, SiteError> {
        let site = Self {
            latitude: Angle::from_deg(latitude_deg),
            longitude: Angle::from_deg(longitude_deg),
            elevation_m,
        };
        site.check()?;
        Ok(site)
    }

    /// Checks that this is a place on Earth.
    ///
    /// # Errors
    /// As [`Site::new`].
    pub fn check(&self) -> Result<(), SiteError> {
        // A hair more than the bound: degrees that went through radians and back.
        const HAIR_DEG: f64 = 1e-9;
        let (latitude, longitude) = (self.latitude.deg(), self.longitude.deg());
        let within = |value: f64, most: f64| value.abs() <= most + HAIR_DEG;
        if !within(latitude, 90.0) {
            let swapped = within(latitude, 180.0) && within(longitude, 90.0);
            return Err(SiteError::Latitude {
                found_deg: latitude,
                swapped: Swapped(swapped.then_some((longitude, latitude))),
            });
        }
        if !within(longitude, 180.0) {
            return Err(SiteError::Longitude { found_deg: longitude });
        }
        if !Self::ELEVATIONS_M.contains(&self.elevation_m) {
            return Err(SiteError::Elevation {
                found_m: self.elevation_m,
            });
        }
        Ok(())
    }

    /// The rotation from ICRS unit vectors to the ground frame (x east, y north, z up) at `instant`.
    ///
    /// IAU 2006/2000A precession-nutation and Earth rotation, UT1 taken as UTC (error at most
    /// 0.9 s of time, 13.5″). Aberration, parallax and refraction are not in it.
    pub fn ground_from_icrs(&self, instant: Instant) -> Rotation3<f64> {
        let (jd, fraction) = instant.julian_date_utc();
        let (tt, tt_fraction) = instant.julian_date_tt();
        let terrestrial = matrix(sofars::pnp::c2t06a(tt, tt_fraction, jd, fraction, 0.0, 0.0));
        Rotation3::from_matrix_unchecked(self.ground_from_terrestrial() * terrestrial)
    }

    /// Rows east, north and up in the terrestrial frame (x to Greenwich, z to the pole).
    pub(crate) fn ground_from_terrestrial(&self) -> Matrix3<f64> {
        let (sin_lat, cos_lat) = self.latitude.rad().sin_cos();
        let (sin_lon, cos_lon) = self.longitude.rad().sin_cos();
        Matrix3::new(
            -sin_lon,
            cos_lon,
            0.0,
            -sin_lat * cos_lon,
            -sin_lat * sin_lon,
            cos_lat,
            cos_lat * cos_lon,
            cos_lat * sin_lon,
            sin_lat,
        )
    }
}

pub(crate) fn matrix(rows: [[f64; 3]; 3]) -> Matrix3<f64> {
    Matrix3::from_fn(|row, column| rows[row][column])
}
