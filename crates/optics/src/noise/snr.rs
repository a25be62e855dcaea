//! Signal-to-noise of one frame and of many.

use crate::field::{FieldError, Range, check};

/// What each pixel collects beside the subject.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct PixelBackground {
    /// Sky, electrons per second and pixel.
    pub sky_e_per_s: f64,
    /// Dark current, electrons per second and pixel.
    pub dark_e_per_s: f64,
    /// Read noise per frame, electrons.
    pub read_noise_e: f64,
}

impl PixelBackground {
    /// Refuses what cannot be.
    ///
    /// # Errors
    /// A figure below zero.
    pub fn check(&self) -> Result<(), FieldError> {
        check(
            "the sky's rate in electrons per second",
            self.sky_e_per_s,
            Range::NotNegative,
            "1.36",
        )?;
        check(
            "the dark current in electrons per second",
            self.dark_e_per_s,
            Range::NotNegative,
            "0.05",
        )?;
        check(
            "the read noise in electrons",
            self.read_noise_e,
            Range::NotNegative,
            "2",
        )?;
        Ok(())
    }
}

/// What the picture is about, as it falls on the sensor.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "snake_case", tag = "kind")]
pub enum Collected {
    /// Something larger than a pixel: judged pixel by pixel.
    Extended {
        /// Electrons per second and pixel.
        e_per_s: f64,
    },
    /// A star, judged in a round aperture about it.
    Star {
        /// Electrons per second, all pixels together.
        e_per_s: f64,
        /// Full width at half maximum of its image, pixels.
        fwhm_px: f64,
        /// Radius of the aperture, pixels.
        radius_px: f64,
    },
}

/// Radius over full width at half maximum of the aperture in which a faint Gaussian star stands out
/// best: 1.585 σ. The maximum of (1 − exp(−r²/2σ²))/r, found numerically.
pub const BEST_RADIUS: f64 = 0.673;

/// Standard deviation over full width at half maximum of a Gaussian, 1/(2√(2 ln 2)).
pub(super) const SIGMA_PER_FWHM: f64 = 0.424_660_900_144;

impl Collected {
    /// A star in the aperture in which it stands out best from sky and read noise.
    pub fn star(e_per_s: f64, fwhm_px: f64) -> Self {
        Self::Star {
            e_per_s,
            fwhm_px,
            radius_px: BEST_RADIUS * fwhm_px,
        }
    }

    /// Electrons per second that count, and the pixels that they are collected from.
    fn collected(&self) -> Result<(f64, f64), FieldError> {
        match *self {
            Self::Extended { e_per_s } => {
                check(
                    "the subject's rate in electrons per second",
                    e_per_s,
                    Range::NotNegative,
                    "0.2",
                )?;
                Ok((e_per_s, 1.0))
            }
            Self::Star {
                e_per_s,
                fwhm_px,
                radius_px,
            } => {
                check(
                    "the star's rate in electrons per second",
                    e_per_s,
                    Range::NotNegative,
                    "200",
                )?;
                check("the star's width in pixels", fwhm_px, Range::Positive, "2.5")?;
                check(
                    "the aperture's radius in pixels",
                    radius_px,
                    Range::Positive,
                    "1.7",
                )?;
                let sigmas = radius_px / (SIGMA_PER_FWHM * fwhm_px);
                let inside = 1.0 - (-0.5 * sigmas * sigmas).exp();
                Ok((e_per_s * inside, std::f64::consts::PI * radius_px * radius_px))
            }
        }
    }
}

/// Signal, noise and where the noise comes from.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct SignalToNoise {
    /// Signal over noise.
    pub ratio: f64,
    /// The subject's electrons in all frames together.
    pub signal_e: f64,
    /// Standard deviation of all frames together, electrons.
    pub noise_e: f64,
    /// Shares of the variance; they make 1 together (all 0 where there is no noise).
    pub shares: NoiseShares,
}

/// Shares of the variance, 0 to 1 each.
#[derive(Clone, Copy, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct NoiseShares {
    /// The subject's own light.
    pub subject: f64,
    /// The sky's light.
    pub sky: f64,
    /// Dark current.
    pub dark: f64,
    /// Reading out.
    pub read: f64,
}

/// Signal-to-noise of `frames` exposures of `exposure_s` seconds, added up:
/// √n·O·t/√((O+P+D)t+R²), the background over all pixels of the aperture.
///
/// # Errors
/// A rate below zero; an exposure or a number of frames that is not above it.
pub fn signal_to_noise(
    subject: &Collected,
    background: &PixelBackground,
    exposure_s: f64,
    frames: u32,
) -> Result<SignalToNoise, FieldError> {
    background.check()?;
    check("the exposure time in seconds", exposure_s, Range::Positive, "60")?;
    check("the number of frames", f64::from(frames), Range::Positive, "12")?;
    let (rate, pixels) = subject.collected()?;
    let seconds = exposure_s * f64::from(frames);
    let parts = [
        rate * seconds,
        background.sky_e_per_s * pixels * seconds,
        background.dark_e_per_s * pixels * seconds,
        background.read_noise_e.powi(2) * pixels * f64::from(frames),
    ];
    let variance: f64 = parts.iter().sum();
    let noise_e = variance.sqrt();
    let part = |k: usize| if variance > 0.0 { parts[k] / variance } else { 0.0 };
    let signal_e = rate * seconds;
    Ok(SignalToNoise {
        ratio: if noise_e > 0.0 { signal_e / noise_e } else { 0.0 },
        signal_e,
        noise_e,
        shares: NoiseShares {
            subject: part(0),
            sky: part(1),
            dark: part(2),
            read: part(3),
        },
    })
}
