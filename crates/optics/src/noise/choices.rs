//! The same total time in few long or many short exposures, side by side.

use super::snr::{Collected, PixelBackground, signal_to_noise};
use crate::field::{FieldError, Range, check};

/// One way to spend the time.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Choice {
    /// Length of an exposure, seconds.
    pub exposure_s: f64,
    /// How many fit into the time.
    pub frames: u32,
    /// Seconds that the shutter is open, all frames together.
    pub open_s: f64,
    /// Seconds that pass, pauses included.
    pub used_s: f64,
    /// Signal-to-noise of all frames added up.
    pub signal_to_noise: f64,
    /// That over what a camera without read noise and pauses would reach in the same time, 0 to 1.
    pub efficiency: f64,
    /// By which share the read noise makes the noise larger than it would be without.
    pub read_noise_adds: f64,
    /// Electrons of sky and dark current in one pixel of one frame: what the level rises by.
    pub background_e: f64,
}

/// What each of several exposure lengths makes of `total_s` seconds, `pause_s` of them between two
/// exposures (interval timer, storing, settling). A length of which none fits into the time is given
/// with no frames.
///
/// # Errors
/// A length or a total that is not above zero; a pause below zero; see [`signal_to_noise`].
pub fn choices(
    subject: &Collected,
    background: &PixelBackground,
    total_s: f64,
    pause_s: f64,
    exposures_s: &[f64],
) -> Result<Vec<Choice>, FieldError> {
    check("the total time in seconds", total_s, Range::Positive, "3600")?;
    check(
        "the pause between exposures in seconds",
        pause_s,
        Range::NotNegative,
        "2",
    )?;
    let quiet = PixelBackground {
        read_noise_e: 0.0,
        ..*background
    };
    let best = signal_to_noise(subject, &quiet, total_s, 1)?.ratio;
    let choice = |exposure_s: f64| {
        let single = signal_to_noise(subject, background, exposure_s, 1)?;
        // The last exposure needs no pause after it; a hair of room for rounding.
        let fit = ((total_s + pause_s) / (exposure_s + pause_s) * (1.0 + 1e-12)).floor();
        let frames = fit.min(f64::from(u32::MAX)) as u32;
        let n = f64::from(frames);
        let ratio = single.ratio * n.sqrt();
        Ok(Choice {
            exposure_s,
            frames,
            open_s: n * exposure_s,
            used_s: n * exposure_s + (n - 1.0).max(0.0) * pause_s,
            signal_to_noise: ratio,
            efficiency: if best > 0.0 { ratio / best } else { 0.0 },
            read_noise_adds: (1.0 - single.shares.read).powf(-0.5) - 1.0,
            background_e: (background.sky_e_per_s + background.dark_e_per_s) * exposure_s,
        })
    };
    exposures_s.iter().map(|e| choice(*e)).collect()
}
