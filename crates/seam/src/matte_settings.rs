//! Settings of the soft edge.

use crate::SeamError;

/// How the matte is made.
#[derive(Clone, Debug, PartialEq)]
pub struct MatteSettings {
    /// How far from the coarse edge the sky is always looked at closely, pixels, 4 to 500. Land is so next to the edge
    /// and where sky is proved behind it.
    pub band_px: usize,
    /// Residual from the sky, in noise sigmas, above which a pixel may be land, 1 to 20.
    pub threshold_sigma: f32,
    /// Weight of neighbours of like colour against a pixel's own colour, 0 and more.
    pub smoothness: f32,
}

impl Default for MatteSettings {
    fn default() -> Self {
        Self {
            band_px: 24,
            threshold_sigma: 3.5,
            smoothness: 6.0,
        }
    }
}

impl MatteSettings {
    pub(crate) fn check(&self) -> Result<(), SeamError> {
        let fail = |name, expected, found| {
            Err(SeamError::Setting {
                name,
                expected,
                found,
            })
        };
        if !(4..=500).contains(&self.band_px) {
            return fail("band_px", "4 to 500", self.band_px as f64);
        }
        if !(1.0..=20.0).contains(&self.threshold_sigma) {
            return fail("threshold_sigma", "1 to 20", f64::from(self.threshold_sigma));
        }
        if !(self.smoothness >= 0.0 && self.smoothness.is_finite()) {
            return fail("smoothness", "0 or more", f64::from(self.smoothness));
        }
        Ok(())
    }
}
