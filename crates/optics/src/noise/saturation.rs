//! Which stars burn out, and how much room is left.

use super::sky_rate::{LightPath, star_e_per_s};
use super::snr::{Background, SIGMA_PER_FWHM};
use crate::field::{FieldError, Range, check};

/// Share of a round Gaussian star's light in its brightest pixel, the star `offset_px` right of and
/// below the pixel's centre: [½ erf((½−x)/√2σ) + ½ erf((½+x)/√2σ)] in both directions.
///
/// # Errors
/// A width that is not above zero; an offset that is not finite.
///
/// ```
/// use nightloom_optics::noise::brightest_pixel;
/// // A star of two pixels' width, centred on a pixel: a fifth of its light.
/// assert!((brightest_pixel(2.0, [0.0, 0.0])? - 0.197).abs() < 0.001);
/// # Ok::<(), nightloom_optics::FieldError>(())
/// ```
pub fn brightest_pixel(fwhm_px: f64, offset_px: [f64; 2]) -> Result<f64, FieldError> {
    check("the star's width in pixels", fwhm_px, Range::Positive, "2.5")?;
    let scale = std::f64::consts::SQRT_2 * SIGMA_PER_FWHM * fwhm_px;
    let side = |x: f64| {
        check("the star's place in the pixel", x, Range::Finite, "0.25")?;
        Ok(0.5 * (libm::erf((0.5 - x) / scale) + libm::erf((0.5 + x) / scale)))
    };
    Ok(side(offset_px[0])? * side(offset_px[1])?)
}

/// A star against the sensor's full well.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Headroom {
    /// Electrons in the star's brightest pixel at the end of the exposure, background included.
    pub peak_e: f64,
    /// log2 of full well over peak: how many stops brighter it might be; negative when it burns out.
    pub stops: f64,
    /// The longest exposure that does not burn it out, seconds.
    pub longest_s: f64,
    /// The magnitude at which a star just burns out in this exposure; brighter ones do. `None` where
    /// the background alone fills the well.
    pub saturating_mag: Option<f64>,
}

/// Headroom of a star of magnitude `mag`, round, centred on a pixel, which is the worst case. Trailing
/// and thin cloud only lower the peak.
///
/// # Errors
/// See [`LightPath::check`], [`Background::check`]; a focal length, width, full well or exposure that
/// is not above zero.
pub fn headroom(
    mag: f64,
    optics: (&LightPath, f64),
    fwhm_px: f64,
    background: &Background,
    full_well_e: f64,
    exposure_s: f64,
) -> Result<Headroom, FieldError> {
    let (path, focal_mm) = optics;
    background.check()?;
    check(
        "the full well in electrons",
        full_well_e,
        Range::Positive,
        "50000",
    )?;
    check("the exposure time in seconds", exposure_s, Range::Positive, "60")?;
    let share = brightest_pixel(fwhm_px, [0.0, 0.0])?;
    let behind = background.sky_e_per_s + background.dark_e_per_s;
    let star = star_e_per_s(mag, focal_mm, path)? * share;
    let peak_e = (star + behind) * exposure_s;
    let room = full_well_e / exposure_s - behind;
    let per_zero = star_e_per_s(0.0, focal_mm, path)? * share;
    Ok(Headroom {
        peak_e,
        stops: (full_well_e / peak_e).log2(),
        longest_s: full_well_e / (star + behind),
        saturating_mag: (room > 0.0).then(|| -2.5 * (room / per_zero).log10()),
    })
}
