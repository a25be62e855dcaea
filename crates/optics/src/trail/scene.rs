//! Where the camera stands and what it looks at.

use nalgebra::{Rotation3, Unit, Vector3};
use nightloom_sky::Angle;

use crate::FieldError;

/// The rate at which the sky turns: the Earth's 7.292115e−5 rad/s (IERS Conventions 2010, table 1.2).
pub const SIDEREAL_ARCSEC_PER_S: f64 = 15.041_067;

/// Upper limb at the horizon with the refraction of 34′ that almanacs use.
const SUNSET_DEG: f64 = -0.833;
/// The sun's declination at the solstices.
const SOLSTICE_DEG: f64 = 23.44;

/// The target at the middle of the picture when the shutter opens. Airless.
///
/// # Units
/// Ground frame x east, y north, z up. Hour angle zero on the meridian, growing as the target moves
/// west; 15° to the hour.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Scene {
    latitude: Angle,
    declination: Angle,
    hour_angle: Angle,
}

impl Scene {
    /// A target seen from a latitude.
    ///
    /// # Errors
    /// Where latitude or declination are beyond 90°, or the hour angle beyond a full turn.
    pub fn new(latitude: Angle, declination: Angle, hour_angle: Angle) -> Result<Self, FieldError> {
        within(
            "the latitude in degrees",
            latitude.deg(),
            90.0,
            "from -90 to 90",
            "51.5",
        )?;
        within(
            "the declination in degrees",
            declination.deg(),
            90.0,
            "from -90 to 90",
            "-29",
        )?;
        within(
            "the hour angle in hours",
            hour_angle.deg() / 15.0,
            24.0,
            "from -24 to 24",
            "-1.5",
        )?;
        Ok(Self {
            latitude,
            declination,
            hour_angle,
        })
    }

    /// Geographic latitude.
    pub fn latitude(&self) -> Angle {
        self.latitude
    }

    /// The north celestial pole in the ground frame.
    pub fn north_pole(&self) -> Unit<Vector3<f64>> {
        Unit::new_normalize(Vector3::new(0.0, self.latitude.cos(), self.latitude.sin()))
    }

    /// The target in the ground frame when the shutter opens.
    pub fn target(&self) -> Vector3<f64> {
        let (dec, ha) = (self.declination, self.hour_angle);
        // South on the meridian, turned west by the hour angle.
        let equator = Vector3::new(0.0, -self.latitude.sin(), self.latitude.cos());
        let west = Vector3::new(-1.0, 0.0, 0.0);
        (equator * ha.cos() + west * ha.sin()) * dec.cos() + self.north_pole().into_inner() * dec.sin()
    }

    /// The target's altitude when the shutter opens.
    pub fn altitude(&self) -> Angle {
        Angle::from_rad(self.target().z.clamp(-1.0, 1.0).asin())
    }

    /// The turning of the sky in the ground frame within `seconds`.
    pub(super) fn sky_turn(&self, seconds: f64) -> Rotation3<f64> {
        let by = Angle::from_arcsec(SIDEREAL_ARCSEC_PER_S * seconds);
        Rotation3::from_axis_angle(&self.north_pole(), -by.rad())
    }
}

fn within(
    field: &'static str,
    value: f64,
    most: f64,
    expected: &'static str,
    example: &'static str,
) -> Result<(), FieldError> {
    if value.abs() <= most {
        return Ok(());
    }
    Err(FieldError {
        field,
        expected,
        example,
        got: value,
    })
}

/// Sunset to sunrise at the winter solstice, seconds: no exposure at that latitude is longer.
///
/// From the hour angle of the sun's upper limb at the horizon, refraction 34′.
pub fn longest_night_s(latitude: Angle) -> f64 {
    const DAY_S: f64 = 86_400.0;
    let (lat, sun) = (latitude.rad().abs(), (-SOLSTICE_DEG).to_radians());
    let up = SUNSET_DEG.to_radians().sin() - lat.sin() * sun.sin();
    let cos = up / (lat.cos() * sun.cos()).max(1e-12);
    let day = cos.clamp(-1.0, 1.0).acos() / std::f64::consts::PI;
    DAY_S * (1.0 - day)
}
