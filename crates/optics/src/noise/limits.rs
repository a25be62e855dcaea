//! How long one exposure must be.

use crate::field::{FieldError, Range, check};

/// The share that the read noise may add to the noise in a sky-limited exposure: 5 %, common
/// practice, no source.
pub const READ_NOISE_SHARE: f64 = 0.05;

/// The exposure in seconds at which the read noise makes the noise `share` larger than that of the
/// sky alone: √(Pt + R²) = (1+q)√(Pt), so t = R²/(P((1+q)²−1)); 9.76 R²/P for 5 %. Longer ones gain
/// little per minute; shorter ones lose.
///
/// # Errors
/// A sky rate or a share that is not positive; a negative read noise.
///
/// ```
/// use nightloom_optics::noise::{READ_NOISE_SHARE, sky_limited_s};
/// let seconds = sky_limited_s(1.36, 2.0, READ_NOISE_SHARE)?;
/// assert!((seconds - 28.7).abs() < 0.05);
/// # Ok::<(), nightloom_optics::FieldError>(())
/// ```
pub fn sky_limited_s(sky_e_per_s: f64, read_noise_e: f64, share: f64) -> Result<f64, FieldError> {
    check(
        "the sky's rate in electrons per second",
        sky_e_per_s,
        Range::Positive,
        "1.36",
    )?;
    check(
        "the read noise in electrons",
        read_noise_e,
        Range::NotNegative,
        "2",
    )?;
    check(
        "the share that read noise may add",
        share,
        Range::Positive,
        "0.05",
    )?;
    Ok(read_noise_e.powi(2) / (sky_e_per_s * ((1.0 + share).powi(2) - 1.0)))
}
