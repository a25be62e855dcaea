//! The colour of a glowing body, and so of a star.

use super::cie1931::{CIE_1931, FIRST_NM, STEP_NM};
use super::{apply, xyz_to_rec2020};

/// Second radiation constant c₂ = hc/k, metre kelvin (CODATA 2018, exact by the SI of 2019).
const C2_M_K: f64 = 1.438_776_877e-2;

/// Effective temperature in kelvin of a star of colour index B−V (Ballesteros 2012, EPL 97, 34008,
/// eq. 14). Meant for −0.4 to 2.0; outside that the index is clamped to it.
pub fn temperature_of_b_v(b_v: f64) -> f64 {
    let b_v = b_v.clamp(-0.4, 2.0);
    4600.0 * (1.0 / (0.92 * b_v + 1.7) + 1.0 / (0.92 * b_v + 0.62))
}

/// Linear Rec. 2020 colour of a black body with luminance 1, from Planck's law and the 2° observer at 5 nm from
/// 360 to 830 nm. Below about 1300 K it lies outside the space and blue is negative; temperatures below 800 K count
/// as 800 K.
pub fn black_body_rgb(kelvin: f64) -> [f32; 3] {
    let xyz = black_body_xyz(kelvin);
    apply(&xyz_to_rec2020(), xyz.map(|v| v / xyz[1])).map(|v| v as f32)
}

fn black_body_xyz(kelvin: f64) -> [f64; 3] {
    let kelvin = kelvin.max(800.0);
    let mut sum = [0.0; 3];
    for (i, observer) in CIE_1931.iter().enumerate() {
        let metres = (FIRST_NM + STEP_NM * i as f64) * 1e-9;
        // Relative to the value at 560 nm, so that no temperature under- or overflows.
        let exponent = |m: f64| (C2_M_K / (m * kelvin)).exp_m1();
        let radiance = (560e-9 / metres).powi(5) * exponent(560e-9) / exponent(metres);
        for (s, o) in sum.iter_mut().zip(observer) {
            *s += o * radiance;
        }
    }
    sum
}
