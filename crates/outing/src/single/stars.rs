//! The stars of one frame.

use std::path::Path;

use nightloom_stars::{DetectSettings, measure};

use super::{SingleError, brightness};
use crate::World;

/// A star of a [`StarsReport`]: pixels, x right, y down, the centre of the first pixel (0, 0).
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
pub struct StarReport {
    /// Centre.
    pub x_px: f64,
    /// Centre.
    pub y_px: f64,
    /// Sum above the background, units of saturation.
    pub flux: f32,
    /// Full width at half maximum.
    pub fwhm_px: f32,
    /// Long over short axis.
    pub elongation: f32,
    /// Direction of the long axis from +x (right) towards +y (down), −90° to 90°.
    pub angle_deg: f64,
    /// Signal over noise of the detection.
    pub snr: f32,
    /// Whether pixels of it were saturated.
    pub saturated: bool,
}

/// What one frame tells of its stars.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct StarsReport {
    /// Brightest first.
    pub stars: Vec<StarReport>,
    /// Median level of the sky, units of saturation.
    pub background: f32,
    /// Median noise of one pixel of sky, standard deviation, units of saturation.
    pub noise: f32,
    /// Part of the frame that is land.
    pub land_fraction: f64,
    /// Median full width at half maximum, pixels; 0 without stars.
    pub fwhm_px: f32,
    /// Median elongation; 1 without stars.
    pub elongation: f32,
    /// Width and height.
    pub size_px: [usize; 2],
    /// Time of the measuring, the decoding left out.
    pub seconds: f64,
}

/// Measures the stars of one frame.
///
/// # Errors
/// [`SingleError::Unreadable`].
pub fn frame_stars(path: &Path, world: &dyn World) -> Result<StarsReport, SingleError> {
    let (plane, _) = brightness(path, world)?;
    let start = world.seconds();
    let field = measure(&plane, &DetectSettings::default());
    let seconds = world.seconds() - start;
    Ok(StarsReport {
        stars: field
            .stars
            .iter()
            .map(|s| StarReport {
                x_px: s.x,
                y_px: s.y,
                flux: s.flux,
                fwhm_px: s.fwhm_px,
                elongation: s.elongation,
                angle_deg: s.angle.deg(),
                snr: s.snr,
                saturated: s.saturated,
            })
            .collect(),
        background: field.background,
        noise: field.noise,
        land_fraction: 1.0 - field.land.sky_fraction(),
        fwhm_px: field.fwhm_px,
        elongation: field.elongation,
        size_px: [field.width, field.height],
        seconds,
    })
}
