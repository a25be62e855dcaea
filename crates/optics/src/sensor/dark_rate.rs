//! Dark current from how the level, and the noise, of darks grow with time.

use super::line::{LinePoint, Measured, fit};
use super::variance_line::{VariancePoint, variance_line};

/// Keeps the weight of a frame without any noise finite, DN².
const LEAST: f64 = 1e-12;

/// Level of one unlit frame.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct DarkLevel {
    /// Exposure time, seconds.
    pub exposure_s: f64,
    /// Mean level over ordinary pixels, DN, from any zero that is the same for all frames.
    pub level_dn: f64,
    /// Its standard error from the pixels' noise, DN.
    pub error_dn: f64,
}

/// Level of no light and no time, and how it grows.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct DarkCurrent {
    /// Level at exposure time 0, DN, from the same zero as the frames' levels.
    pub zero_dn: Measured,
    /// Growth, DN per second.
    pub rate_dn_per_s: Measured,
    /// Whether the frames' levels scatter by more than their pixels' noise: the level of no light
    /// wanders from frame to frame. The errors have been widened then.
    pub wanders: bool,
}

/// The weighted line through the levels of unlit frames. `None` where all have one exposure time.
pub fn dark_current(frames: &[DarkLevel]) -> Option<DarkCurrent> {
    let points: Vec<LinePoint> = frames
        .iter()
        .map(|f| LinePoint {
            x: f.exposure_s,
            y: f.level_dn,
            variance: (f.error_dn * f.error_dn).max(LEAST),
        })
        .collect();
    let line = fit(&points)?;
    let stretch = line.excess();
    Some(DarkCurrent {
        zero_dn: Measured {
            value: line.intercept,
            error: (line.var_intercept * stretch).sqrt(),
        },
        rate_dn_per_s: Measured {
            value: line.slope,
            error: (line.var_slope * stretch).sqrt(),
        },
        wanders: stretch > 1.0,
    })
}

/// A rate in DN per second as electrons per second, the gain's error included.
pub fn in_electrons(rate_dn_per_s: Measured, gain_e_per_dn: Measured) -> Measured {
    let value = rate_dn_per_s.value * gain_e_per_dn.value;
    let error = (rate_dn_per_s.error * gain_e_per_dn.value).hypot(rate_dn_per_s.value * gain_e_per_dn.error);
    Measured { value, error }
}

/// Dark current from the variances of unlit pairs instead (EMVA 1288 3.1, eq. 24): cameras that take
/// the mean dark level off by themselves hide it in the level, not in the noise. `variances` are
/// (exposure time in s, variance in DN², pixels); the result is DN per second at gain g e⁻/DN:
/// dσ²/dt·g. `None` where all have one exposure time.
pub fn dark_current_from_noise(variances: &[(f64, f64, usize)], gain_e_per_dn: f64) -> Option<Measured> {
    let points: Vec<VariancePoint> = variances
        .iter()
        .map(|&(x, variance, samples)| VariancePoint { x, variance, samples })
        .collect();
    let line = variance_line(&points)?;
    Some(Measured {
        value: line.slope * gain_e_per_dn,
        error: (line.var_slope * line.excess()).sqrt() * gain_e_per_dn,
    })
}
