//! What was done to the light, as it is told.

use serde::{Deserialize, Serialize};

/// How the picture's light was shown: enough to do it again by hand on the linear layers.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LightReport {
    /// The look's name.
    pub look: String,
    /// Share of the background's gradient and colour that was taken off.
    pub background_taken: f32,
    /// The background's median before it, red, green, blue, linear Rec. 2020.
    pub background_level: [f32; 3],
    /// And after it.
    pub shown_level: [f32; 3],
    /// Strength of the contrast in the sky's large forms.
    pub midtones: f32,
    /// Stops S by which the land was raised to the look where it is dark; land of luminance L by the factor
    /// 1 + (2^S − 1)/(1 + (L/(0.5 M))²), M the luminance of `shown_level`.
    pub land_lift_stops: f32,
    /// Stops by which the sky was brightened beside the curve.
    #[serde(default)]
    pub sky_stops: f32,
    /// Factors on red, green and blue by which the light was shown warmer or cooler, greener or more magenta.
    #[serde(default)]
    pub white_gains: [f32; 3],
    /// Width of the stars as a share of what was recorded.
    #[serde(default = "as_recorded")]
    pub star_size: f32,
    /// Colourfulness of the stars alone.
    #[serde(default = "as_recorded")]
    pub star_colour: f32,
    /// Stops by which the corners are darker.
    #[serde(default)]
    pub vignette: f32,
    /// Degrees by which the picture was turned clockwise, and its width and height after that.
    #[serde(default)]
    pub level_deg: f64,
    /// See [`Self::level_deg`]; `None` where it was not turned.
    #[serde(default)]
    pub level_px: Option<[usize; 2]>,
    /// The tone curve.
    pub curve: nightloom_stack::ToneSettings,
}

fn as_recorded() -> f32 {
    1.0
}
