//! What is known of a frame beside its pixels.

use super::{Inspection, Veil};

/// What moon there was.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
pub struct MoonTold {
    /// Its altitude, degrees.
    pub altitude_deg: f64,
    /// Lit part of its disc, 0 to 1.
    pub lit: f64,
    /// Magnitudes per square arcsecond by which it brightens the sky the frame shows.
    pub cost_mag: f64,
}

/// What is known of a frame beside its pixels.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct NightTold {
    /// Exposure, seconds.
    pub exposure_s: Option<f64>,
    /// Arcseconds per pixel at the middle.
    pub scale_arcsec_px: Option<f64>,
    /// The moon, where place and time are known.
    pub moon: Option<MoonTold>,
    /// The sun's altitude, degrees, where place and time are known.
    pub sun_altitude_deg: Option<f64>,
    /// Read noise of one pixel as a share of saturation, where the camera's figures are known.
    pub read_noise: Option<f64>,
    /// Photons' noise: variance of one pixel per unit of level (1 / electrons at saturation).
    pub shot_per_level: Option<f64>,
    /// Width of sharp stars with this lens, pixels.
    pub sharp_px: Option<f64>,
    /// Clearness by the catalogue's stars, where the frame was identified.
    pub veil: Option<Veil>,
    /// Starlight against earlier frames of the same sky, 1 where nothing is lost.
    pub starlight: Option<f64>,
    /// Whether the pixels were linear in the file.
    pub linear: bool,
    /// Whether the frame was identified.
    pub identified: bool,
    /// Relative aperture.
    pub f_number: Option<f64>,
}

/// The Earth's turn, radians a second of time (2π in 86 164.0905 s).
pub(super) const SIDEREAL_RAD_S: f64 = 7.292_115e-5;

/// By what share read noise adds to the sky's own: √(1 + R²/S) − 1.
pub(super) fn read_noise_share(seen: &Inspection, told: &NightTold) -> f64 {
    let level = seen.exposure.sky;
    match (told.read_noise, told.shot_per_level) {
        (Some(read), Some(shot)) if told.linear => {
            let sky = (level * shot).max(0.02 * read * read);
            (1.0 + read * read / sky).sqrt() - 1.0
        }
        // Without the camera's figures: half a percent of saturation is little (common practice, no source).
        _ => 0.15 * (0.002 / level.max(1e-4)).min(3.0),
    }
}
