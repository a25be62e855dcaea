//! One frame of the land, as it is stacked.

use nightloom_stack::PixelNoise;

use super::prepare::Prepared;

/// What one land frame brings.
#[derive(Clone, Debug)]
pub(super) struct LandFrame<'a> {
    pub(super) frame: &'a Prepared,
    /// Factor that brings its values to the picture's unit.
    pub(super) gain: f32,
    /// Noise of its pixels in that unit.
    pub(super) noise: PixelNoise,
    /// Whether its file tells how it was exposed; else `gain` is a start.
    pub(super) told: bool,
}
