//! Half-precision floats (IEEE 754-2019, binary16): 11 significant bits in two bytes.

/// Bits that make not-a-number of a half.
const NAN: u16 = 0x7e00;
const INFINITE: u16 = 0x7c00;

/// The nearest half, ties to even; what is too large becomes infinite.
pub fn to_half(value: f32) -> u16 {
    let bits = value.to_bits();
    let sign = (bits >> 16) as u16 & 0x8000;
    let magnitude = bits & 0x7fff_ffff;
    if magnitude > 0x7f80_0000 {
        return NAN;
    }
    // 65520 lies half way to what would follow 65504.
    if magnitude >= 0x477f_f000 {
        return sign | INFINITE;
    }
    if magnitude < 0x3880_0000 {
        // Below 2⁻¹⁴ steps are even: one step is 2⁻²⁴, and the sum with ½ rounds to it.
        let rounded = f32::from_bits(magnitude) + 0.5;
        return sign | (rounded.to_bits() - 0x3f00_0000) as u16;
    }
    let odd = (magnitude >> 13) & 1;
    sign | ((magnitude + 0x0fff + odd - 0x3800_0000) >> 13) as u16
}

/// What a half says, exactly.
#[inline]
pub fn from_half(half: u16) -> f32 {
    let sign = u32::from(half & 0x8000) << 16;
    let rest = u32::from(half & 0x7fff) << 13;
    if rest >= 0x0f80_0000 {
        return f32::from_bits(sign | 0x7f80_0000 | (rest & 0x007f_ffff));
    }
    // 2¹¹² moves the exponent's bias; it does so for steps below 2⁻¹⁴ too.
    let value = f32::from_bits(rest) * f32::from_bits(0x7780_0000);
    f32::from_bits(sign | value.to_bits())
}

/// A value as a half keeps it.
#[inline]
pub fn round_to_half(value: f32) -> f32 {
    from_half(to_half(value))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_standards_examples_hold() {
        // IEEE 754-2019, table 3.5 (parameters of binary16: p = 11, emax = 15); the patterns follow from it by hand.
        for (value, half) in [
            (0.0, 0x0000),
            (1.0, 0x3c00),
            (-2.0, 0xc000),
            (65504.0, 0x7bff),
            (6.103_515_6e-5, 0x0400),
            (5.960_464_5e-8, 0x0001),
            (0.333_251_95, 0x3555),
        ] {
            assert_eq!(to_half(value), half, "{value}");
            assert_eq!(from_half(half), value, "{half:x}");
        }
        assert_eq!(to_half(65520.0), INFINITE);
        assert_eq!(to_half(-1e9), 0x8000 | INFINITE);
        assert!(from_half(to_half(f32::NAN)).is_nan());
        assert_eq!(from_half(INFINITE), f32::INFINITY);
    }

    #[test]
    fn every_half_comes_back_and_rounding_is_to_the_nearest() {
        for half in 0..=u16::MAX {
            let value = from_half(half);
            if !value.is_nan() {
                assert_eq!(to_half(value), half, "{half:x}");
            }
        }
        for k in 1..40_000u32 {
            let value = (k as f32) * 7.3e-5 - 0.4;
            let back = from_half(to_half(value));
            let step = value.abs().max(6.2e-5) / 2048.0;
            assert!((back - value).abs() <= step * 1.0001, "{value}: {back}");
        }
    }
}
