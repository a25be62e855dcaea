//! From scene-linear light to a picture for the eye: an asinh curve on intensity.

use nightloom_raster::Rgb;
use nightloom_raster::colour::{luminance, srgb_decode, srgb_encode};
use rayon::prelude::*;

/// The tone curve's settings, all in the linear working space unless said otherwise.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct ToneSettings {
    /// What becomes black, per channel.
    pub black: [f32; 3],
    /// What becomes display white.
    pub white: f32,
    /// Softening Q/s of Lupton et al. 2004: the curve is linear below 1/`stretch` above black and
    /// logarithmic over it. 0 is a straight line.
    pub stretch: f32,
    /// Factor on the distance from grey; 1 leaves colour alone.
    pub saturation: f32,
}

impl Default for ToneSettings {
    fn default() -> Self {
        Self {
            black: [0.0; 3],
            white: 1.0,
            stretch: 30.0,
            saturation: 1.0,
        }
    }
}

/// A curve ready to be applied.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ToneCurve {
    settings: ToneSettings,
    /// 1 / asinh(stretch · (white − black)).
    scale: f32,
    range: f32,
}

impl ToneCurve {
    /// A curve from its settings; impossible ones (white at or under black, negative stretch) are
    /// brought to the nearest possible.
    pub fn new(settings: ToneSettings) -> Self {
        let black = settings.black.iter().sum::<f32>() / 3.0;
        let range = (settings.white - black).max(1e-6);
        let stretch = settings.stretch.max(1e-3);
        let settings = ToneSettings { stretch, ..settings };
        Self {
            settings,
            scale: 1.0 / (stretch * range).asinh(),
            range,
        }
    }

    /// The automatic curve for a nightscape: the sky's background (level `sky`, single-pixel noise
    /// `noise`, per channel) comes out at the display value `target` (0.12 to 0.2 looks like night;
    /// common practice, no source), black lies under the sky so that noise is not crushed, white is
    /// `white`.
    pub fn from_statistics(sky: [f32; 3], noise: [f32; 3], target: f32, white: f32) -> Self {
        let level = sky.iter().sum::<f32>() / 3.0;
        let noise = noise.iter().sum::<f32>() / 3.0;
        // A dark ridge is below the sky but not at zero: most of the sky's light stays. Only a sky
        // so bright that a straight line shows it too bright is taken down, then the white raised.
        let straight = (level - target * white) / (1.0 - target);
        let black = (level - 4.0 * noise)
            .min(0.25 * level)
            .max(straight.min(0.35 * level))
            .max(0.0);
        let white = white.max(black + (level - black) / target);
        let settings = |stretch| ToneSettings {
            black: [black; 3],
            white,
            stretch,
            ..Default::default()
        };
        let lifted = level - black;
        let shown = |stretch: f32| Self::new(settings(stretch)).display(lifted);
        let (mut low, mut high) = (1e-3f32, 1e6f32);
        for _ in 0..60 {
            let middle = (low * high).sqrt();
            if shown(middle) < target {
                low = middle
            } else {
                high = middle
            }
        }
        Self::new(settings((low * high).sqrt()))
    }

    /// The settings in force.
    pub fn settings(&self) -> &ToneSettings {
        &self.settings
    }

    /// Display-encoded value 0 to 1 of an intensity `above` black: asinh(β x)/asinh(β x_white).
    pub fn display(&self, above: f32) -> f32 {
        ((self.settings.stretch * above).asinh() * self.scale).clamp(0.0, 1.0)
    }

    /// One colour: linear Rec. 2020 in, display-encoded (sRGB curve, IEC 61966-2-1) out, 0 to 1.
    pub fn apply(&self, rgb: [f32; 3]) -> [f32; 3] {
        let above: [f32; 3] = std::array::from_fn(|c| rgb[c] - self.settings.black[c]);
        let intensity = above.iter().sum::<f32>() / 3.0;
        if intensity <= 0.0 {
            return [0.0; 3];
        }
        // One factor for all channels, in light, keeps the hue.
        let factor = srgb_decode(self.display(intensity)) / intensity;
        let mut out = above.map(|v| v * factor);
        let grey = luminance(out);
        out = out.map(|v| grey + (v - grey) * self.settings.saturation);
        into_gamut(out, grey).map(srgb_encode)
    }

    /// One row of three channels, in place.
    pub fn apply_row(&self, red: &mut [f32], green: &mut [f32], blue: &mut [f32]) {
        for ((r, g), b) in red.iter_mut().zip(green).zip(blue) {
            [*r, *g, *b] = self.apply([*r, *g, *b]);
        }
    }

    /// A whole picture, in place.
    pub fn apply_to(&self, picture: &mut Rgb) {
        let width = picture.width().max(1);
        let [r, g, b] = picture.planes_mut();
        let rows = r
            .data_mut()
            .par_chunks_mut(width)
            .zip(g.data_mut().par_chunks_mut(width));
        rows.zip(b.data_mut().par_chunks_mut(width))
            .for_each(|((r, g), b)| self.apply_row(r, g, b));
    }

    /// The intensity range between black and white.
    pub fn range(&self) -> f32 {
        self.range
    }
}

/// Brings a colour into 0 to 1 without turning its hue: half way between dimming it and drawing it
/// towards the grey of its luminance, so that a burnt star is bright but still shows its colour.
fn into_gamut(rgb: [f32; 3], grey: f32) -> [f32; 3] {
    let grey = grey.clamp(0.0, 1.0);
    let least = rgb.into_iter().fold(0.0, f32::min);
    // What lies below zero is drawn towards grey alone.
    let keep = if least < 0.0 { grey / (grey - least) } else { 1.0 };
    let rgb = rgb.map(|v| grey + (v - grey) * keep);
    let most = rgb.into_iter().fold(0.0, f32::max);
    if most <= 1.0 {
        return rgb.map(|v| v.clamp(0.0, 1.0));
    }
    let keep = if most > grey {
        (1.0 - grey) / (most - grey)
    } else {
        0.0
    };
    rgb.map(|v| (0.5 * (v / most + grey + (v - grey) * keep)).clamp(0.0, 1.0))
}
