//! What one frame tells of its stars.

use nightloom_sky::Angle;

use crate::{LandMask, Streak};

/// One star, or the trail of one.
///
/// # Units
/// Pixels, x right, y down, centre of the first pixel (0, 0); fluxes in units of saturation
/// (a pixel at saturation contributes 1). Angles from +x (right) towards +y (down), −90° to 90°.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Star {
    /// Centre; the middle of the trail where stars are trailed.
    pub x: f64,
    /// Centre.
    pub y: f64,
    /// Sum above the background within the aperture. A lower limit where `saturated`.
    pub flux: f32,
    /// Highest pixel above the background.
    pub peak: f32,
    /// Full width at half maximum of the star's light as pixels show it, their own width
    /// included: the geometric mean of the two axes; across the trail where stars are trailed.
    pub fwhm_px: f32,
    /// Long over short axis, 1 for a round star.
    pub elongation: f32,
    /// Direction of the long axis.
    pub angle: Angle,
    /// Whether pixels of it were at or near saturation: its centre rests on the wings, its flux
    /// is a lower limit.
    pub saturated: bool,
    /// Signal over noise of the matched-filter detection.
    pub snr: f32,
}

/// What [`crate::measure`] found in one frame.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Field {
    /// Pixels across the frame.
    pub width: usize,
    /// Pixels down the frame.
    pub height: usize,
    /// Stars, brightest first. None of them stands on land.
    pub stars: Vec<Star>,
    /// Median level of the sky, units of saturation.
    pub background: f32,
    /// Median noise of one pixel of sky, standard deviation, units of saturation.
    pub noise: f32,
    /// Median full width at half maximum of good stars, pixels; 0 where there were none.
    pub fwhm_px: f32,
    /// Median elongation of good stars; 1 where there were none.
    pub elongation: f32,
    /// Common direction of elongation (of the trails where trailed), from +x towards +y.
    pub trail_angle: Angle,
    /// Median length of the trails, pixels; 0 where stars are not trailed.
    pub trail_px: f32,
    /// How far the stars share one direction of elongation: 0 every which way, 1 all alike.
    pub trail_coherence: f32,
    /// Streaks of satellites, aircraft and meteors over the sky; none are looked for where stars are
    /// trailed.
    #[serde(default)]
    pub streaks: Vec<Streak>,
    /// Where land is.
    pub land: LandMask,
}
