//! How stars are found.

use crate::{BackgroundSettings, LandFinderSettings};

/// Whether stars are drawn out into trails.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Trails {
    /// Decide by the frame itself.
    #[default]
    Auto,
    /// Points: anything drawn out is not a star.
    No,
    /// Trails: the middle of each is its place.
    Yes,
}

/// How stars are found.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct DetectSettings {
    /// Detection threshold in standard deviations of the matched-filtered noise.
    pub threshold_sigma: f32,
    /// Full width at half maximum the filter is matched to, pixels; `None` measures it first.
    pub fwhm_px: Option<f32>,
    /// Stars kept at most, brightest first.
    pub max_stars: usize,
    /// Level at and above which a pixel counts as saturated.
    pub saturation: f32,
    /// Whether stars are trailed.
    pub trails: Trails,
    /// How the background is measured.
    pub background: BackgroundSettings,
    /// How land is recognised.
    pub land: LandFinderSettings,
}

impl Default for DetectSettings {
    fn default() -> Self {
        Self {
            threshold_sigma: 5.0,
            fwhm_px: None,
            max_stars: 2000,
            saturation: 0.95,
            trails: Trails::Auto,
            background: BackgroundSettings::default(),
            land: LandFinderSettings::default(),
        }
    }
}
