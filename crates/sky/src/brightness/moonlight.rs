//! Moonlight in the sky, after Krisciunas & Schaefer 1991, PASP 103, 1033.

use super::{SurfaceBrightness, illuminance};
use crate::Angle;

/// The moon's mean distance, kilometres, for which the model's brightness of the moon is meant.
pub const MEAN_MOON_KM: f64 = 384_400.0;
/// Nearer to the moon than this the aureole's own formula holds, degrees.
const AUREOLE_DEG: f64 = 10.0;
/// The model stops growing here: nearer, the moon's own disc is in the way.
const DISC_DEG: f64 = 0.25;
/// Below this altitude the moon's light is dimmed further than by the model, degrees.
const LOW_MOON_DEG: f64 = 5.0;
/// By how much on the horizon, magnitudes: brings the mean of the model's sky to the 0.0016 lux that a full moon
/// on the horizon gives level land ([`super::moon_lux`]).
const HORIZON_LOSS_MAG: f64 = 1.2;
/// How fast the light of a moon below the horizon goes, magnitudes a degree: as twilight does at −6°.
const SUNKEN_LOSS_MAG_PER_DEG: f64 = 1.06;
/// Lower than this the moon gives nothing: under 0.1 % of what it gives on the horizon.
const GONE_DEG: f64 = -7.0;

/// The moon as a lamp.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MoonLight {
    /// Altitude of its centre from the site (with parallax), true.
    pub altitude: Angle,
    /// Phase angle (sun, moon, Earth): 0° at full moon, 180° at new.
    pub phase: Angle,
    /// Its distance, kilometres.
    pub distance_km: f64,
}

impl MoonLight {
    /// Scattered moonlight in a patch of sky, `k` in magnitudes per airmass.
    ///
    /// Krisciunas & Schaefer's eqs. 3, 15, 19, 20 and 21, with the inverse square of the distance, which they leave
    /// out. They found 8 % to 23 % of error, more within 7° of full moon (too faint by up to 35 %). Below 5° of
    /// moon altitude, where the model's short airmass lets a setting moon shine on, it is dimmed to 1.2 mag on the
    /// horizon and 1.06 mag per degree below it (our own continuation, no source).
    pub fn sky(&self, altitude: Angle, separation: Angle, k: f64) -> SurfaceBrightness {
        let loss_mag = self.low_loss_mag();
        if loss_mag.is_infinite() {
            return SurfaceBrightness::DARK;
        }
        let moon_air = scattering_airmass(self.altitude);
        let patch_air = scattering_airmass(altitude);
        let nanolambert = moon_scattering(separation)
            * self.illuminance_foot_candles()
            * 10f64.powf(-0.4 * k * moon_air)
            * (1.0 - 10f64.powf(-0.4 * k * patch_air));
        if nanolambert <= 0.0 {
            return SurfaceBrightness::DARK;
        }
        SurfaceBrightness::from_mag(mag_from_nanolambert(nanolambert) + loss_mag)
    }

    /// What it gives level, open land, lux; 0 when it is well below the horizon.
    pub fn land_lux(&self) -> f64 {
        illuminance::moon_lux(self.altitude, self.phase, self.distance_km)
    }

    /// The moon's illuminance outside the air, foot-candles (eq. 20): a magnitude of −12.73 + 0.026 |α| + 4e−9 α⁴.
    fn illuminance_foot_candles(&self) -> f64 {
        let alpha = self.phase.wrapped_180().deg().abs();
        let near = (MEAN_MOON_KM / self.distance_km).powi(2);
        near * 10f64.powf(-0.4 * (3.84 + 0.026 * alpha + 4e-9 * alpha.powi(4)))
    }

    fn low_loss_mag(&self) -> f64 {
        let h = self.altitude.deg();
        if h < GONE_DEG {
            f64::INFINITY
        } else if h < 0.0 {
            HORIZON_LOSS_MAG - h * SUNKEN_LOSS_MAG_PER_DEG
        } else {
            HORIZON_LOSS_MAG * (1.0 - h / LOW_MOON_DEG).max(0.0)
        }
    }
}

/// Krisciunas & Schaefer's scattering function f(ρ), eqs. 18, 19 and 21: Rayleigh and Mie scattering at an angle
/// from the moon, in their units. Held at its value at the moon's limb nearer than 0.25°.
pub fn moon_scattering(separation: Angle) -> f64 {
    let rho = separation.deg().abs().max(DISC_DEG);
    let rayleigh = 10f64.powf(5.36) * (1.06 + Angle::from_deg(rho).cos().powi(2));
    let mie = if rho < AUREOLE_DEG {
        6.2e7 / (rho * rho)
    } else {
        10f64.powf(6.15 - rho / 40.0)
    };
    rayleigh + mie
}

/// Their airmass, for scattering only: X = (1 − 0.96 sin² Z)^−½ (eq. 3). 5 at the horizon and below.
pub(super) fn scattering_airmass(altitude: Angle) -> f64 {
    let sin_z = altitude.deg().clamp(0.0, 90.0).to_radians().cos();
    (1.0 - 0.96 * sin_z * sin_z).powf(-0.5)
}

/// V mag/arcsec² from nanolamberts (eq. 1).
fn mag_from_nanolambert(nanolambert: f64) -> f64 {
    (20.7233 - (nanolambert / 34.08).ln()) / 0.92104
}
