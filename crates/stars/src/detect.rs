//! Finding stars.

use nightloom_raster::Plane;
use nightloom_sky::Angle;

use crate::{BackgroundSettings, Field, LandMask, LandSettings};

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
    /// Full width at half maximum the filter is first matched to, pixels.
    pub fwhm_px: f32,
    /// Stars kept at most, brightest first.
    pub max_stars: usize,
    /// Level at and above which a pixel counts as saturated.
    pub saturation: f32,
    /// Whether stars are trailed.
    pub trails: Trails,
    /// How the background is measured.
    pub background: BackgroundSettings,
    /// How land is recognised.
    pub land: LandSettings,
}

impl Default for DetectSettings {
    fn default() -> Self {
        Self {
            threshold_sigma: 5.0,
            fwhm_px: 2.5,
            max_stars: 2000,
            saturation: 0.95,
            trails: Trails::Auto,
            background: BackgroundSettings::default(),
            land: LandSettings::default(),
        }
    }
}

/// Measures the stars, the background and the land of one frame.
///
/// `image` is the luminance of a linear frame at full resolution, 1.0 at saturation. Frames too
/// small or too empty give a field without stars.
pub fn measure(image: &Plane, settings: &DetectSettings) -> Field {
    Field {
        width: image.width(),
        height: image.height(),
        stars: Vec::new(),
        background: 0.0,
        noise: 0.0,
        fwhm_px: 0.0,
        elongation: 1.0,
        trail_angle: Angle::from_rad(0.0),
        trail_px: 0.0,
        trail_coherence: 0.0,
        land: LandMask::all_sky(image.width(), image.height(), settings.land.cell_px),
    }
}
