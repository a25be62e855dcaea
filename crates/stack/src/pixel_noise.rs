//! The noise of a pixel by its light.

/// No pixel is without noise, and 1 over this is still a number that can be summed.
const LEAST_VARIANCE: f32 = 1e-20;

/// Frames whose σ differ by less than this factor at every light are of one kind: the measure itself
/// scatters by some per cent.
const ALIKE: f32 = 1.15;

/// Variance of a pixel: `read` + `shot` · light, in any unit that the inputs share (Janesick 2007, photon
/// transfer: read noise and the shot noise of the light, the latter in proportion to it).
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct PixelNoise {
    /// Where there is no light.
    pub read: f32,
    /// More for each unit of light, in the unit of the stack.
    pub shot: f32,
}

impl Default for PixelNoise {
    /// The same everywhere.
    fn default() -> Self {
        Self { read: 1.0, shot: 0.0 }
    }
}

impl PixelNoise {
    /// At a light; below zero, which is noise, it is that of no light.
    #[inline]
    pub fn variance(&self, light: f32) -> f32 {
        (self.read + self.shot * light.max(0.0)).max(LEAST_VARIANCE)
    }

    /// Whether all are so alike that none has to be told from another.
    pub(crate) fn alike(all: &[Self]) -> bool {
        let within = |value: fn(&Self) -> f32| {
            let low = all.iter().map(value).fold(f32::INFINITY, f32::min);
            let high = all.iter().map(value).fold(0.0, f32::max);
            high <= low * ALIKE * ALIKE
        };
        within(|n| n.read) && within(|n| n.shot)
    }
}
