//! Where on Earth, and the turning sky above it.

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

impl Site {
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
    fn ground_from_terrestrial(&self) -> Matrix3<f64> {
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
