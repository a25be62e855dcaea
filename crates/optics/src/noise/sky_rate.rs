//! Electrons per second from magnitudes.

use std::f64::consts::PI;

use crate::field::{FieldError, Range, check};

/// Photons per second and cm² over the V band from a star of V = 0, above the air.
///
/// The trade's figure. Second route: 3640 Jy at V = 0 (Bessell 1979, PASP 91, 589) over a band of
/// Δλ/λ = 0.16 give 3640e-26·0.16/h = 8.79e9 per m², 8.79e5 per cm²: 2.4 % less, well below what
/// sky and transmission are known to.
pub const ZERO_POINT_V: f64 = 9.0e5;

/// Arcseconds in a radian.
const ARCSEC_PER_RADIAN: f64 = 206_265.0;

/// What lies between the light above the lens and the electrons of one pixel.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct LightPath {
    /// Relative aperture N.
    pub f_number: f64,
    /// Distance between pixels' centres, micrometres.
    pub pitch_um: f64,
    /// Electrons per photon that arrives at the sensor, colour filter included, 0 to 1.
    pub qe: f64,
    /// Share of the light that comes through lens, filters and, for stars given above the air, the
    /// air: 0 to 1.
    pub transmission: f64,
}

impl LightPath {
    /// Refuses what cannot be.
    ///
    /// # Errors
    /// Not positive f-number or pitch; a quantum efficiency or a transmission outside 0 to 1.
    pub fn check(&self) -> Result<(), FieldError> {
        check("the f-number", self.f_number, Range::Positive, "2.8")?;
        check("the pixel pitch in µm", self.pitch_um, Range::Positive, "5.95")?;
        check("the quantum efficiency", self.qe, Range::Share, "0.5")?;
        check("the transmission", self.transmission, Range::Share, "0.8")?;
        Ok(())
    }
}

/// Electrons per second and pixel from a sky of `mag_per_arcsec2` (V, as seen through the air):
/// P = F0·10^(−0.4μ)·(206265·p)²·π/(4N²)·T·QE with p in cm. The focal length cancels.
///
/// # Errors
/// See [`LightPath::check`]; a brightness that is no finite number.
///
/// ```
/// use nightloom_optics::noise::{LightPath, sky_e_per_s};
/// let path = LightPath { f_number: 2.8, pitch_um: 5.95, qe: 0.5, transmission: 0.8 };
/// assert!((sky_e_per_s(21.5, &path)? - 1.36).abs() < 0.005);
/// # Ok::<(), nightloom_optics::FieldError>(())
/// ```
pub fn sky_e_per_s(mag_per_arcsec2: f64, path: &LightPath) -> Result<f64, FieldError> {
    path.check()?;
    check(
        "the sky's brightness in mag/arcsec²",
        mag_per_arcsec2,
        Range::Finite,
        "21.5",
    )?;
    // A pixel of pitch p behind a focal length f sees (206265·p/f)² arcsec² through π(f/2N)² cm².
    let pitch_cm = path.pitch_um * 1e-4;
    let etendue = (ARCSEC_PER_RADIAN * pitch_cm).powi(2) * PI / (4.0 * path.f_number.powi(2));
    Ok(photons(mag_per_arcsec2) * etendue * path.transmission * path.qe)
}

/// Electrons per second from a star of magnitude `mag` (V), all its pixels together, through a lens
/// of `focal_mm`: F0·10^(−0.4m)·π(f/2N)²·T·QE with f in cm.
///
/// # Errors
/// See [`LightPath::check`]; a focal length that is not positive; a magnitude that is not finite.
pub fn star_e_per_s(mag: f64, focal_mm: f64, path: &LightPath) -> Result<f64, FieldError> {
    path.check()?;
    check("the star's magnitude", mag, Range::Finite, "6.5")?;
    check("the focal length in mm", focal_mm, Range::Positive, "24")?;
    let pupil_cm = focal_mm / 10.0 / path.f_number;
    Ok(photons(mag) * PI / 4.0 * pupil_cm.powi(2) * path.transmission * path.qe)
}

/// Photons per second and cm² of magnitude `mag`.
fn photons(mag: f64) -> f64 {
    ZERO_POINT_V * 10f64.powf(-0.4 * mag)
}
