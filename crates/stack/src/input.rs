//! One frame of a stack.

use crate::clipped::Clipped;
use crate::mapping::Mapping;
use crate::mask::Mask;
use crate::pixel_noise::PixelNoise;
use crate::source::Source;
use crate::surface::Surface;

/// One frame of a stack.
pub struct Input<'a> {
    /// Its pixels: three planes, linear.
    pub source: &'a dyn Source,
    /// From canvas to source pixels; `None` lays the frame down unmoved.
    pub to_source: Option<Box<Mapping<'a>>>,
    /// Factor per channel that brings the frame to the set's common level …
    pub gain: [f32; 3],
    /// … and what is added after it.
    pub offset: [f32; 3],
    /// A slow surface added to it all, see [`ground_light`](crate::ground_light).
    pub surface: Option<Surface>,
    /// What the frame is worth apart from its noise (seeing, cloud), 1 for an unspoilt one. Frames of weight 0
    /// or less (or not finite) are left out.
    pub weight: f32,
    /// The noise of its pixels; they count by `weight` over their variance.
    pub noise: PixelNoise,
    /// Where it is saturated, and the light that it can tell at most after `gain`. There it counts only where
    /// no frame that can tell more reaches.
    pub clipped: Option<(&'a Clipped, f32)>,
    /// Where on the canvas the frame shows what the stack is of; `None` is everywhere.
    pub mask: Option<&'a Mask>,
    /// The mask tells how open something is that lies before all of it: what is added is added to that part alone.
    pub veiled: bool,
}

impl<'a> Input<'a> {
    /// A frame laid down unmoved, unscaled, everywhere valid, with weight 1.
    pub fn unmoved(source: &'a dyn Source) -> Self {
        Self {
            source,
            to_source: None,
            gain: [1.0; 3],
            offset: [0.0; 3],
            surface: None,
            weight: 1.0,
            noise: PixelNoise::default(),
            clipped: None,
            mask: None,
            veiled: false,
        }
    }

    pub(crate) fn is_used(&self) -> bool {
        self.weight > 0.0 && self.weight.is_finite()
    }

    /// What it counts where there is hardly any light.
    pub fn worth(&self) -> f32 {
        self.weight / self.noise.variance(0.0)
    }
}
