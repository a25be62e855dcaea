//! A tone curve looked up instead of computed: the same picture for a fraction of the time.
//!
//! Both functions of one number that a colour goes through, from intensity to the factor in light and from light to display,
//! bend most near black. So the nodes lie evenly within each octave, found by the number's own bits, and values go straight
//! from node to node: with n nodes an octave a function f errs by at most x²·f″/8n². Against the curve itself a channel
//! errs by less than a thirtieth of a step of 16 bits, measured over curves of every kind (`tests/all/tone.rs`).

use nightloom_raster::colour::{luminance, srgb_decode, srgb_encode};

use crate::tone::{ToneCurve, ToneSettings, into_gamut};

/// Bits of the mantissa that number the nodes of an octave: 512 of them.
const BITS: u32 = 9;
/// Octaves below the curve's white that are tabulated; darker than 2⁻²⁸ of it the curve itself is asked.
const FACTOR_OCTAVES: u32 = 28;
/// Octaves below 1 of the display curve; its straight foot begins above 2⁻⁹.
const ENCODE_OCTAVES: u32 = 9;

/// A function between 2⁻ᵒᶜᵗᵃᵛᵉˢ and 1.
#[derive(Clone, Debug)]
struct Octaves {
    /// Bits of the lowest number, without the last ones.
    first: u32,
    /// Value at each node, and what it grows by until the next.
    nodes: Vec<[f32; 2]>,
}

impl Octaves {
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
    /// What an intensity is multiplied with in light, by its part of the range.
    factor: Octaves,
    encode: Octaves,
}

impl ToneTable {
    /// Tabulates a curve: about 20 000 nodes, a millisecond.
    pub fn new(curve: &ToneCurve) -> Self {
        let range = curve.range();
        let factor = |part: f64| {
            let intensity = part as f32 * range;
            f64::from(srgb_decode(curve.display(intensity))) / f64::from(intensity)
        };
        Self {
            curve: *curve,
            settings: *curve.settings(),
            scale: 1.0 / range,
            factor: Octaves::of(FACTOR_OCTAVES, factor),
            encode: Octaves::of(ENCODE_OCTAVES, |v| f64::from(srgb_encode(v as f32))),
        }
    }

    /// The curve that was tabulated.
    pub fn curve(&self) -> &ToneCurve {
        &self.curve
    }

    /// One colour, as [`ToneCurve::apply`]: linear Rec. 2020 in, display-encoded out, 0 to 1.
    #[inline]
    pub fn apply(&self, rgb: [f32; 3]) -> [f32; 3] {
        let above: [f32; 3] = std::array::from_fn(|c| rgb[c] - self.settings.black[c]);
        let intensity = above.iter().sum::<f32>() / 3.0;
        // Not-a-number is black too.
        if !(intensity > 0.0) {
            return [0.0; 3];
        }
        let part = intensity * self.scale;
        let factor = match self.factor.at(part) {
            Some(factor) => factor,
            None if part >= 1.0 => 1.0 / intensity,
            None => srgb_decode(self.curve.display(intensity)) / intensity,
        };
        let mut out = above.map(|v| v * factor);
        let grey = luminance(out);
        out = out.map(|v| grey + (v - grey) * self.settings.saturation);
        into_gamut(out, grey).map(|v| self.encoded(v))
    }

    /// One row of three channels, in place.
    pub fn apply_row(&self, red: &mut [f32], green: &mut [f32], blue: &mut [f32]) {
        for ((r, g), b) in red.iter_mut().zip(green).zip(blue) {
            [*r, *g, *b] = self.apply([*r, *g, *b]);
        }
    }

    #[inline]
    fn encoded(&self, linear: f32) -> f32 {
        if linear <= 0.003_130_8 {
            return 12.92 * linear;
        }
        self.encode.at(linear).unwrap_or(1.0)
    }
}
