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
    /// Brightness of the sky as the frame's stars measure it, V mag/arcsec².
    pub sky_mag: Option<f64>,
    /// Starlight against earlier frames of the same sky, 1 where nothing is lost.
    pub starlight: Option<f64>,
    /// Whether the pixels were linear in the file.
    pub linear: bool,
    /// Whether the frame was identified.
    pub identified: bool,
    /// Relative aperture.
    pub f_number: Option<f64>,
    /// ISO speed.
    pub iso: Option<f64>,
    /// Whether the lens is no rectilinear one.
    pub fisheye: bool,
}

/// Share that the shapes of stars in a picture made for display are trusted with: sharpening, tone curves and
/// compression change them.
const DISPLAY_TRUST: f64 = 0.1;
/// Weight beside which “nothing wrong” stays first.
const NO_VERDICT: f64 = 0.5;
/// Star shapes without which nothing can be vouched for in a frame that was not identified, and their least width:
/// what is narrower may be hot pixels or noise.
const VOUCH: (usize, f64) = (60, 1.7);

impl NightTold {
    /// A weight that rests on shapes or brightnesses, as far as they are the lens's and the sky's: those of a picture
    /// made for display never make a verdict.
    pub(super) fn trusted(&self, weight: f64) -> f64 {
        if self.linear {
            weight
        } else {
            (DISPLAY_TRUST * weight).min(NO_VERDICT)
        }
    }

    /// Whether what was measured is stars.
    pub(super) fn vouched(&self, seen: &Inspection) -> bool {
        self.identified || (seen.shapes >= VOUCH.0 && seen.width_px >= VOUCH.1)
    }
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
