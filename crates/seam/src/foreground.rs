//! Land colours at the edge, without the old sky that shone between the twigs.
//!
//! I = (1 − α)·F + α·B solved for F where α and the star-free sky B are known. Dividing by 1 − α
//! multiplies the noise, so the nearest land's mean colour is a prior whose weight is its own spread:
//! the thinner the twig, the more its colour is its neighbours'.

use nightloom_raster::Rgb;
use rayon::prelude::*;

use crate::{Matte, SeamError, Work};

/// How edge colours are estimated.
#[derive(Clone, Debug, PartialEq)]
pub struct ForegroundSettings {
    /// Uncertainty of the modelled sky behind the edge, as a fraction of its level, 0 to 1.
    pub sky_error: f32,
    /// Uncertainty of alpha itself, 0 to 1.
    pub alpha_error: f32,
}

impl Default for ForegroundSettings {
    fn default() -> Self {
        Self {
            sky_error: 0.02,
            alpha_error: 0.05,
        }
    }
}

/// Turns the land picture into the land layer: its own colours, free of the sky behind.
///
/// Works in place of `land` (linear working colour, before tone matching). Where the matte is 0 the
/// picture stays bit for bit as it was; where it lies between, F is put; where it is 1 the nearest
/// land's colours go on, so that filtering or resizing the layer draws no sky into it. With no land
/// found the picture is returned as it came.
///
/// # Errors
/// [`SeamError::Size`] if the matte is of another size, [`SeamError::Setting`] for settings out of
/// range, [`SeamError::Cancelled`].
pub fn foreground(
    land: Rgb,
    matte: &Matte,
    settings: &ForegroundSettings,
    work: &Work,
) -> Result<Rgb, SeamError> {
    let (width, height) = (land.width(), land.height());
    SeamError::check_size(
        "matte",
        (width, height),
        (matte.alpha.width(), matte.alpha.height()),
    )?;
    for (name, value) in [
        ("sky_error", settings.sky_error),
        ("alpha_error", settings.alpha_error),
    ] {
        if !(0.0..=1.0).contains(&value) {
            return Err(SeamError::Setting {
                name,
                expected: "0 to 1",
                found: f64::from(value),
            });
        }
    }
    work.step(0.0)?;
    let Some(model) = &matte.land_model else {
        return Ok(land);
    };
    let mut land = land;
    let (sky, alpha) = (&matte.sky_model, &matte.alpha);
    for (c, plane) in land.planes_mut().iter_mut().enumerate() {
        let rows = plane.data_mut().par_chunks_mut(width.max(1)).enumerate();
        rows.try_for_each(|(y, row)| {
            work.check()?;
            for (x, v) in row.iter_mut().enumerate() {
                let a = alpha.at(x, y);
                if a > 0.0 || !v.is_finite() {
                    let back = sky.channel_at(c, x, y);
                    let prior = (model.channel_at(c, x, y), model.channel_sigma_at(c, x, y));
                    *v = own_colour(*v, a, back, prior, sky.noise_at(c, back), settings);
                }
            }
            Ok(())
        })?;
        work.step((c + 1) as f32 / 3.0)?;
    }
    Ok(land)
}

/// F from one channel: the measured one and the prior, weighted by their variances.
fn own_colour(
    seen: f32,
    alpha: f32,
    back: f32,
    (mean, sigma): (f32, f32),
    noise: f32,
    settings: &ForegroundSettings,
) -> f32 {
    let share = 1.0 - alpha;
    if share < 1e-3 || !seen.is_finite() {
        return mean;
    }
    let measured = (seen - alpha * back) / share;
    let errors = noise * noise
        + (alpha * settings.sky_error * back).powi(2)
        + (settings.alpha_error * (mean - back)).powi(2);
    let variance = errors / (share * share);
    // Land at the edge may differ from its neighbours by more than they do among each other.
    let spread = sigma * sigma + noise * noise + (0.1 * mean).powi(2);
    ((measured * spread + mean * variance) / (spread + variance)).max(0.0)
}
