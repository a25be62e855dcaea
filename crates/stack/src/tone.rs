//! From scene-linear light to a picture for the eye: an asinh curve on intensity, bent at the sky's
//! level so that faint light stands out from it.

use nightloom_raster::colour::{luminance, srgb_decode, srgb_encode};

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
    /// Slope at `pivot` of what bends the asinh curve (common practice, no source): 1 is no bend, at
    /// most 3.5. Values near black and `pivot` itself stay, those between are darkened a little,
    /// those above are brightened and roll off towards white.
    #[serde(default = "straight")]
    pub contrast: f32,
    /// Display value, 0.01 to 0.9, that the bend turns about.
    #[serde(default = "night")]
    pub pivot: f32,
    /// Factor on the distance from grey; 1 leaves colour alone.
    pub saturation: f32,
}

fn straight() -> f32 {
    1.0
}

fn night() -> f32 {
    0.2
}

impl Default for ToneSettings {
    fn default() -> Self {
        Self {
            black: [0.0; 3],
            white: 1.0,
            stretch: 30.0,
            contrast: straight(),
            pivot: night(),
            saturation: 1.0,
        }
    }
}

/// What the automatic curve looks at, in the linear working space.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SceneStatistics {
    /// Level of the sky's background per channel.
    pub sky_level: [f32; 3],
    /// Its noise in single pixels per channel.
    pub sky_noise: [f32; 3],
    /// A dark tone of the land that shall not be lost, such as the 5th percentile of its intensity (mean
    /// of the channels).
    pub land_dark: Option<f32>,
    /// The median of the land's intensity.
    pub land_median: Option<f32>,
    /// Display value the sky's background shall come out at.
    pub target: f32,
    /// What becomes display white, at least.
    pub white: f32,
}

/// Share of the sky's level that becomes black: the dark side of a night stays readable (common
/// practice, no source: a print whose land is solid black looks cut out).
const BLACK_OF_SKY: f32 = 0.05;
/// Black is at most this share of the land's dark tone and of its median.
const BLACK_OF_LAND_DARK: f32 = 0.5;
const BLACK_OF_LAND_MEDIAN: f32 = 0.1;
/// Bend of the automatic curve and its saturation: the Milky Way reads and stars show their colour
/// without looking painted (judged by eye on simulated nights; common practice, no source).
const NIGHT_CONTRAST: f32 = 1.7;
const NIGHT_SATURATION: f32 = 1.15;

/// Black stays below this share of the sky's level: the sky itself is never black.
const MOST_BLACK: f32 = 0.9;

/// How the automatic curve is to be moved.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ToneWish {
    /// What becomes black lies higher by this share of the sky's level; below 0 lower.
    pub black: f32,
    /// What becomes display white lies higher by so many stops; below 0 lower.
    pub white_stops: f32,
    /// How much of the automatic curve's bend there is: 1 all, 0 none.
    pub contrast: f32,
}

impl Default for ToneWish {
    fn default() -> Self {
        Self {
            black: 0.0,
            white_stops: 0.0,
            contrast: 1.0,
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
        let settings = ToneSettings {
            stretch,
            contrast: settings.contrast.clamp(1.0, 3.5),
            pivot: settings.pivot.clamp(0.01, 0.9),
            ..settings
        };
        Self {
            settings,
            scale: 1.0 / (stretch * range).asinh(),
            range,
        }
    }

    /// The automatic curve for a nightscape: the sky's background comes out at the display value
    /// `target` (0.16 to 0.24 looks like night; common practice, no source). Black is a twentieth of
    /// the sky's level and well under the land's dark tones, so that land much darker than the sky
    /// keeps its drawing and noise is not crushed. Contrast is highest at the sky's level.
    ///
    /// A sky so bright that a straight line shows it above `target` is taken down by a higher black, a
    /// third of its level if the land allows, and then a higher white.
    pub fn from_statistics(scene: &SceneStatistics) -> Self {
        Self::wished(scene, &ToneWish::default())
    }

    /// The automatic curve moved as wished: whatever the wish, the sky's background still comes out at `target`.
    pub fn wished(scene: &SceneStatistics, wish: &ToneWish) -> Self {
        let target = scene.target.clamp(0.01, 0.9);
        let level = scene.sky_level.iter().sum::<f32>() / 3.0;
        let black = black(scene, level, target) + wish.black.clamp(-1.0, MOST_BLACK) * level;
        let black = black.min(level * MOST_BLACK);
        let white = wish.white_stops.exp2() * scene.white;
        let white = white.max(black + (level - black) / target);
        let settings = |stretch| ToneSettings {
            black: [black; 3],
            white,
            stretch,
            contrast: 1.0 + (NIGHT_CONTRAST - 1.0) * wish.contrast,
            pivot: target,
            saturation: NIGHT_SATURATION,
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

    /// Display-encoded value 0 to 1 of an intensity `above` black: asinh(β x)/asinh(β x_white), bent
    /// about the pivot.
    pub fn display(&self, above: f32) -> f32 {
        let shown = ((self.settings.stretch * above).asinh() * self.scale).clamp(0.0, 1.0);
        bent(shown, self.settings.contrast, self.settings.pivot)
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

    /// The intensity range between black and white.
    pub fn range(&self) -> f32 {
        self.range
    }
}

/// What becomes black.
fn black(scene: &SceneStatistics, level: f32, target: f32) -> f32 {
    let noise = scene.sky_noise.iter().sum::<f32>() / 3.0;
    let straight = (level - target * scene.white) / (1.0 - target);
    let land = |value: Option<f32>, share: f32| value.map_or(f32::INFINITY, |v| share * v);
    (BLACK_OF_SKY * level)
        .min(level - 4.0 * noise)
        .max(straight.min(0.35 * level))
        .min(land(scene.land_dark, BLACK_OF_LAND_DARK))
        .min(land(scene.land_median, BLACK_OF_LAND_MEDIAN))
        .max(0.0)
}

/// A rising curve through 0, `pivot` and 1 with slope `contrast` at the pivot and no kink: below it
/// t − (k − 1) t³ (1 − t) of the pivot's height, which leaves the darkest tones alone; above it a
/// power of the distance from white.
fn bent(shown: f32, contrast: f32, pivot: f32) -> f32 {
    if shown < pivot {
        let t = shown / pivot;
        pivot * (t - (contrast - 1.0) * t * t * t * (1.0 - t))
    } else {
        1.0 - (1.0 - pivot) * ((1.0 - shown) / (1.0 - pivot)).max(0.0).powf(contrast)
    }
}

/// Brings a colour into 0 to 1 without turning its hue: half way between dimming it and drawing it
/// towards the grey of its luminance, so that a burnt star is bright but still shows its colour.
#[inline]
pub(crate) fn into_gamut(rgb: [f32; 3], grey: f32) -> [f32; 3] {
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
