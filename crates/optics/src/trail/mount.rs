//! What turns the camera.

use nalgebra::{Rotation3, Unit, Vector3};
use nightloom_sky::Angle;

use super::SIDEREAL_ARCSEC_PER_S;
use crate::FieldError;
use crate::field::{Range, check};

/// How fast a tracker turns.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub enum Rate {
    /// With the stars.
    #[default]
    Sidereal,
    /// One turn in 24 h, with the mean sun.
    Solar,
    /// Half as fast as the stars: sky and land share the smear.
    Half,
    /// Not at all.
    Off,
    /// This many times the sidereal rate.
    Times(f64),
}

impl Rate {
    /// Arcseconds per second about the axis.
    pub(crate) fn arcsec_per_s(self) -> f64 {
        match self {
            Self::Sidereal => SIDEREAL_ARCSEC_PER_S,
            Self::Solar => 15.0,
            Self::Half => SIDEREAL_ARCSEC_PER_S / 2.0,
            Self::Off => 0.0,
            Self::Times(factor) => factor * SIDEREAL_ARCSEC_PER_S,
        }
    }
}

/// The error of a worm gear: the axis is ahead by A·sin(2πt/P + φ).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Periodic {
    /// A: half of what is given peak to peak.
    pub amplitude: Angle,
    /// P, seconds: one turn of the worm.
    pub period_s: f64,
    /// φ when the shutter opens.
    pub phase: Angle,
}

impl Periodic {
    /// A periodic error.
    ///
    /// # Errors
    /// Where the amplitude is negative or the period not above zero.
    pub fn new(amplitude: Angle, period_s: f64, phase: Angle) -> Result<Self, FieldError> {
        check(
            "the periodic error's amplitude in arcsec",
            amplitude.arcsec(),
            Range::NotNegative,
            "25",
        )?;
        check(
            "the periodic error's period in seconds",
            period_s,
            Range::Positive,
            "480",
        )?;
        check(
            "the periodic error's phase in degrees",
            phase.deg(),
            Range::Finite,
            "90",
        )?;
        Ok(Self {
            amplitude,
            period_s,
            phase,
        })
    }

    /// How far the axis is ahead, compared with when the shutter opened.
    pub(crate) fn since_start(&self, seconds: f64) -> Angle {
        let turn = std::f64::consts::TAU * seconds / self.period_s;
        self.amplitude * ((turn + self.phase.rad()).sin() - self.phase.sin())
    }
}

/// A one-axis tracker.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tracker {
    /// Where the axis points, in the ground frame (x east, y north, z up); airless.
    pub axis: Unit<Vector3<f64>>,
    /// How fast it turns.
    pub rate: Rate,
    /// The error of its gear.
    pub periodic: Option<Periodic>,
}

impl Tracker {
    /// A tracker at the sidereal rate whose axis points to an altitude (airless) and an azimuth (from
    /// north through east): near the north pole in the north, near the south pole in the south.
    ///
    /// # Errors
    /// Where the altitude is beyond 90° or a number is not finite.
    pub fn pointing(altitude: Angle, azimuth: Angle) -> Result<Self, FieldError> {
        check("the axis azimuth in degrees", azimuth.deg(), Range::Finite, "0.4")?;
        if altitude.deg().abs() <= 90.0 {
            let level = altitude.cos();
            let axis = Vector3::new(level * azimuth.sin(), level * azimuth.cos(), altitude.sin());
            return Ok(Self::about(axis));
        }
        Err(FieldError {
            field: "the axis altitude in degrees",
            expected: "from -90 to 90",
            example: "51.5",
            got: altitude.deg(),
        })
    }

    /// A tracker whose axis is off the pole above the horizon by `error`, towards `direction`:
    /// 0° away from the horizon below the pole, that is up, then clockwise as seen facing the pole.
    pub fn off_pole(latitude: Angle, error: Angle, direction: Angle) -> Self {
        let north = if latitude.deg() < 0.0 { -1.0 } else { 1.0 };
        let pole = Vector3::new(0.0, latitude.cos(), latitude.sin()) * north;
        let up = Vector3::new(0.0, -latitude.sin(), latitude.cos());
        let right = pole.cross(&up);
        let away = up * direction.cos() + right * direction.sin();
        Self::about(pole * error.cos() + away * error.sin())
    }

    fn about(axis: Vector3<f64>) -> Self {
        Self {
            axis: Unit::new_normalize(axis),
            rate: Rate::Sidereal,
            periodic: None,
        }
    }

    /// How far the axis is off the celestial pole it is nearer to.
    pub fn axis_error(&self, north_pole: &Unit<Vector3<f64>>) -> Angle {
        let across = self.axis.cross(north_pole).norm();
        Angle::from_rad(across.atan2(self.axis.dot(north_pole).abs()))
    }

    /// How the camera has turned in the ground frame after `seconds`: with the sky, whichever pole
    /// the axis is nearer to.
    pub(super) fn turn(&self, north_pole: &Unit<Vector3<f64>>, seconds: f64) -> Rotation3<f64> {
        let periodic = self.periodic.map_or(Angle::default(), |p| p.since_start(seconds));
        let by = Angle::from_arcsec(self.rate.arcsec_per_s() * seconds) + periodic;
        let sense = if self.axis.dot(north_pole) < 0.0 {
            1.0
        } else {
            -1.0
        };
        Rotation3::from_axis_angle(&self.axis, sense * by.rad())
    }
}
