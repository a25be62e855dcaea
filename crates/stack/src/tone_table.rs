//! A tone curve looked up instead of computed: the same picture for a fraction of the time.
//!
//! The functions of one number that a colour goes through bend most near black. So the nodes lie evenly within each octave,
//! found by the number's own bits, and values go straight from node to node: with n nodes an octave a function f errs by at
//! most x²·f″/8n². None of them has a kink between nodes: the straight foot of the display curve is computed, not looked up.
//! Against the curve itself a channel errs by less than a sixth of a step of 16 bits, over curves of every kind, and by less
//! than two fifths where a colour lies far outside of what can be shown (`tests/all/tone.rs`).

use nightloom_raster::colour::{luminance, srgb_decode};

use crate::tone::{ToneCurve, ToneSettings, into_gamut};

/// Bits of the mantissa that number the nodes of an octave: the more, the more a function bends. A curve bends most.
const CURVE_BITS: u32 = 11;
const DECODE_BITS: u32 = 10;
const ENCODE_BITS: u32 = 9;
/// Octaves below the curve's white that are tabulated; darker than 2⁻²⁸ of it the curve itself is asked.
const CURVE_OCTAVES: u32 = 28;
/// Ends of the display curve's straight foot, encoded and in light (IEC 61966-2-1), and the octaves from there to 1.
const FOOT: [f32; 2] = [0.040_45, 0.003_130_8];
const FOOT_OCTAVES: [u32; 2] = [5, 9];

/// A function between 2⁻ᵒᶜᵗᵃᵛᵉˢ and 1.
#[derive(Clone, Debug)]
struct Octaves<const BITS: u32> {
    /// Bits of the lowest number, without the last ones.
    first: u32,
    /// Value at each node, and what it grows by until the next.
    nodes: Vec<[f32; 2]>,
}

impl<const BITS: u32> Octaves<BITS> {
    fn of(octaves: u32, value: impl Fn(f64) -> f64) -> Self {
        let lowest = (-f64::from(octaves)).exp2() as f32;
        let first = lowest.to_bits() >> (23 - BITS);
        let at = |k: u32| value(f64::from(f32::from_bits((first + k) << (23 - BITS))));
        let nodes = (0..octaves << BITS).map(|k| {
            let here = at(k);
            [here as f32, (at(k + 1) - here) as f32]
        });
        Self {
            first,
            nodes: nodes.collect(),
        }
    }

    /// The value at `x`; `None` outside.
    #[inline]
    fn at(&self, x: f32) -> Option<f32> {
        let bits = x.to_bits();
        let [value, slope] = *self
            .nodes
            .get((bits >> (23 - BITS)).wrapping_sub(self.first) as usize)?;
        let part = (bits & ((1 << (23 - BITS)) - 1)) as f32 * (1.0 / (1u32 << (23 - BITS)) as f32);
        Some(value + part * slope)
    }
}

/// A [`ToneCurve`] tabulated.
#[derive(Clone, Debug)]
pub struct ToneTable {
    curve: ToneCurve,
    settings: ToneSettings,
    /// 1 / range.
    scale: f32,
    /// What is shown over the part of the range, by that part.
    shown: Octaves<CURVE_BITS>,
    /// Above the foot.
    decode: Octaves<DECODE_BITS>,
    encode: Octaves<ENCODE_BITS>,
}

impl ToneTable {
    /// Tabulates a curve: about 70 000 nodes, a few milliseconds.
    pub fn new(curve: &ToneCurve) -> Self {
        let range = curve.range();
        let [decode, encode] = FOOT_OCTAVES;
        Self {
            curve: *curve,
            settings: *curve.settings(),
            scale: 1.0 / range,
            shown: Octaves::of(CURVE_OCTAVES, |part| {
                f64::from(curve.display(part as f32 * range)) / part
            }),
            // The powers of the curve, also below where they hold, so that no node stands in a kink.
            decode: Octaves::of(decode, |v| ((v + 0.055) / 1.055).powf(2.4)),
            encode: Octaves::of(encode, |v| 1.055 * v.powf(1.0 / 2.4) - 0.055),
        }
    }

    /// The curve that was tabulated.
    pub fn curve(&self) -> &ToneCurve {
        &self.curve
    }

    /// One colour, as [`ToneCurve::apply`]: linear Rec. 2020 in, display-encoded out, 0 to 1.
    #[inline]
    pub fn apply(&self, rgb: [f32; 3]) -> [f32; 3] {
        self.shown_light(rgb).map(|v| self.encoded(v))
    }

    /// The light that a display shows for a colour: what [`Self::apply`] encodes, linear Rec. 2020, 0 to 1.
    #[inline]
    pub fn shown_light(&self, rgb: [f32; 3]) -> [f32; 3] {
        let above: [f32; 3] = std::array::from_fn(|c| rgb[c] - self.settings.black[c]);
        let intensity = above.iter().sum::<f32>() / 3.0;
        // Not-a-number is black too.
        if intensity.is_nan() || intensity <= 0.0 {
            return [0.0; 3];
        }
        let factor = self.light(intensity) / intensity;
        let mut out = above.map(|v| v * factor);
        let grey = luminance(out);
        out = out.map(|v| grey + (v - grey) * self.settings.saturation);
        into_gamut(out, grey)
    }

    /// One row of three channels, in place.
    pub fn apply_row(&self, red: &mut [f32], green: &mut [f32], blue: &mut [f32]) {
        for ((r, g), b) in red.iter_mut().zip(green).zip(blue) {
            [*r, *g, *b] = self.apply([*r, *g, *b]);
        }
    }

    /// The light that an intensity above black is shown as.
    #[inline]
    fn light(&self, intensity: f32) -> f32 {
        let part = intensity * self.scale;
        if part >= 1.0 {
            return 1.0;
        }
        match self.shown.at(part) {
            Some(ratio) => self.decoded(ratio * part),
            None => srgb_decode(self.curve.display(intensity)),
        }
    }

    #[inline]
    fn decoded(&self, shown: f32) -> f32 {
        if shown <= FOOT[0] {
            return shown / 12.92;
        }
        self.decode.at(shown).unwrap_or(1.0)
    }

    #[inline]
    fn encoded(&self, linear: f32) -> f32 {
        if linear <= FOOT[1] {
            return 12.92 * linear;
        }
        self.encode.at(linear).unwrap_or(1.0)
    }
}
