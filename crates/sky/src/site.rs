//! Where on Earth, and the turning sky above it.

use nalgebra::Rotation3;

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
        let _ = (instant, Rotation3::<f64>::identity());
        unimplemented!("helper C fills this in")
    }
}
