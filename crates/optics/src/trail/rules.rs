//! The rules of thumb for a fixed camera, as what they are.

use nightloom_sky::Angle;

use crate::field::{Range, check};
use crate::{Camera, FieldError};

/// Longest exposures of a fixed camera by the rules of thumb, seconds.
///
/// None of them knows the tolerance in pixels, the projection or the place in the frame; the trails
/// of [`super::Shot`] do.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
pub struct Rules {
    /// 500 divided by the focal length in mm. Common practice, no source.
    pub by_500_s: f64,
    /// 400 divided by the focal length. Common practice, no source.
    pub by_400_s: f64,
    /// 300 divided by the focal length. Common practice, no source.
    pub by_300_s: f64,
    /// NPF, simple form; needs the f-number.
    pub npf_simple_s: Option<f64>,
    /// NPF, full form with k = 1, for the smallest declination in view; needs the f-number.
    pub npf_full_s: Option<f64>,
}

/// The rules for a camera; `declination` is the one in view that is nearest to the equator.
///
/// # Errors
/// Where the f-number is not above zero.
pub fn rules(camera: &Camera, f_number: Option<f64>, declination: Angle) -> Result<Rules, FieldError> {
    let focal = camera.focal_mm();
    let pitch = camera.pitch_um;
    if let Some(n) = f_number {
        check("the f-number", n, Range::Positive, "2.8")?;
    }
    Ok(Rules {
        by_500_s: 500.0 / focal,
        by_400_s: 400.0 / focal,
        by_300_s: 300.0 / focal,
        npf_simple_s: f_number.map(|n| npf_simple_s(n, focal, pitch)),
        npf_full_s: f_number.map(|n| npf_full_s(n, focal, pitch, declination, 1.0)),
    })
}

/// NPF, simple form: (35 N + 30 p)/f with p in µm, f in mm (F. Michaud, 2016).
pub fn npf_simple_s(f_number: f64, focal_mm: f64, pitch_um: f64) -> f64 {
    (35.0 * f_number + 30.0 * pitch_um) / focal_mm
}

/// NPF, full form: k (16.9 N + 0.1 f + 13.7 p)/(f cos δ) (F. Michaud, 2016); k from 1 (strict) to 3
/// (lax), the range from memory.
pub fn npf_full_s(f_number: f64, focal_mm: f64, pitch_um: f64, declination: Angle, k: f64) -> f64 {
    k * (16.9 * f_number + 0.1 * focal_mm + 13.7 * pitch_um) / (focal_mm * declination.cos())
}
