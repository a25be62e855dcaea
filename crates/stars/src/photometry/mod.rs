//! How bright: what a frame's identified stars say of its lens, its air and the sky behind them.
//!
//! The catalogue's V magnitudes set the scale. For each star
//!
//! V + 2.5 log₁₀(F/t) = Z − k X + c (B−V) − a h² − b h⁴
//!
//! with F the light above the sky in one colour (green, or the only one), units of saturation, t the
//! exposure, X the airmass, h the distance from the lens's axis in halves of the frame's diagonal. Z is the
//! zero point: the V magnitude above the air of a star of B−V = 0 that gives one unit of saturation a
//! second in the middle of the frame (the usual definition, e.g. Howell 2006, *Handbook of CCD Astronomy*,
//! §5.1, here with saturation for a count). The sky's brightness then follows from its level and from the
//! solid angle that a pixel sees at its place.

mod limit;
mod sample;
mod skirt;
mod sky;
mod solve;
mod tones;

use nalgebra::Rotation3;
use nightloom_raster::Plane;
use nightloom_sky::Air;

pub use sky::{SkyLight, SkyMap, SkySpot};

use crate::{BlindIdentification, Field};
use sample::{MeasuredStar, sample};
use solve::{Fit, fit};

/// Where the stars stood in the air while the shutter was open.
#[derive(Clone, Copy, Debug)]
pub struct Overhead {
    /// From ICRS to the ground frame at the middle of the exposure.
    pub ground_from_icrs: Rotation3<f64>,
    /// For refraction.
    pub air: Air,
}

/// What photometry needs of a frame.
pub struct LightInput<'a> {
    /// How many colours there are: 1 or 3.
    pub colours: usize,
    /// The plane of a colour (0 red, 1 green, 2 blue; 0 where there is one), on the pixels that the
    /// stars were found on, linear, black subtracted, 1.0 at saturation. Planes are asked for one by one.
    pub plane: &'a dyn Fn(usize) -> Plane,
    /// The stars found.
    pub field: &'a Field,
    /// Which they are.
    pub found: &'a BlindIdentification,
    /// Shutter time, seconds; without it everything is by the frame.
    pub exposure_s: Option<f64>,
    /// Where the stars stood, if place and time are known.
    pub overhead: Option<Overhead>,
    /// How well the level of no light is known, standard deviation, units of saturation.
    pub black_sigma: f64,
    /// Whether the file's values were linear; pictures meant for display have a tone curve.
    pub was_linear: bool,
}

/// What the identified stars say. Magnitudes are V.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct Photometry {
    /// Z: magnitude above the air of what gives one unit of saturation a second (a frame, where the
    /// exposure is not known) in the middle of the frame.
    pub zero_point_mag: f64,
    /// Its standard deviation, that of the extinction and of what an aperture misses of a star in it.
    pub zero_point_sigma: f64,
    /// c.
    pub colour_term: f64,
    /// Its standard deviation.
    pub colour_term_sigma: f64,
    /// k, magnitudes per airmass; `None` where it had to be assumed.
    pub extinction_mag: Option<f64>,
    /// Its standard deviation.
    pub extinction_sigma: Option<f64>,
    /// a and b: how the lens's light falls off for stars, magnitudes.
    pub falloff_mag: [f64; 2],
    /// The same at the corner (h = 1), stops, and its standard deviation.
    pub corner_stops: [f64; 2],
    /// Stars that it rests on.
    pub stars: usize,
    /// Robust scatter of one star about the fit, magnitudes.
    pub scatter_mag: f64,
    /// By how much the residual grows with each magnitude, and its standard deviation: 0 where light and
    /// numbers are proportional.
    pub slope: [f64; 2],
    /// Magnitude of the faintest point source detected at 5 σ, typical of the frame, above the air.
    pub limiting_mag: f64,
    /// The sky; `None` where the file's tones cannot be trusted with it.
    pub sky: Option<SkyLight>,
    /// Star by star, what the equation leaves.
    pub misses: Vec<LightMiss>,
}

/// What is left of one star's light once the lens, the air and its colour are accounted for.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
pub struct LightMiss {
    /// Where it stands, pixels.
    pub at: [f64; 2],
    /// Fainter than expected: negative, magnitudes.
    pub brighter_mag: f64,
    /// Airmass; 0 where place or time is not known.
    pub airmass: f64,
}

/// Why a frame's light cannot be told.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum NoPhotometry {
    /// Too few stars.
    #[error(
        "only {found} identified stars are neither burnt out, faint nor close to others; {needed} are needed"
    )]
    TooFewStars {
        /// Usable.
        found: usize,
        /// Wanted.
        needed: usize,
    },
    /// A tone curve.
    #[error(
        "the tones are not proportional to light: a star one magnitude fainter is {seen:.2} magnitudes fainter in the \
         picture; a raw frame is needed"
    )]
    NotLinear {
        /// Magnitudes seen per magnitude.
        seen: f64,
    },
    /// Numbers that fit nothing.
    #[error("the stars' brightnesses contradict the catalogue by {scatter_mag:.1} magnitudes")]
    NoFit {
        /// Scatter.
        scatter_mag: f64,
    },
}

/// Error of what a wide aperture still misses of a star, magnitudes (painted frames: 0.03 too faint).
const WINGS_MAG: f64 = 0.03;
/// Error of how much more it misses in the corner, magnitudes (painted lenses: 0.03 to 0.11).
const CORNER_WINGS_MAG: f64 = 0.06;
/// Stars without which nothing is said.
const LEAST_STARS: usize = 12;
/// Scatter of a star below which, with so many stars, a bent line is the file's own.
const CLOSELY_MAG: f64 = 0.12;
const MANY_STARS: usize = 100;
/// Scatter above which the fit is not believed, magnitudes.
const WILD_MAG: f64 = 0.6;

/// Measures a frame's light by its identified stars.
///
/// # Errors
/// Says why not, where the stars are too few or the tones are not linear.
pub fn photometry(input: &LightInput<'_>) -> Result<Photometry, NoPhotometry> {
    let (samples, bands) = sample(input);
    if samples.len() < LEAST_STARS {
        return Err(NoPhotometry::TooFewStars {
            found: samples.len(),
            needed: LEAST_STARS,
        });
    }
    let fit = fit(&samples, input.overhead.is_some());
    let slope = tones::slope(&samples, &fit);
    // Raw numbers are proportional to light: where they bend and the stars scatter, cloud or the limit does it; where
    // the stars follow a bent line closely, the file is not what it says.
    let closely = fit.scatter < CLOSELY_MAG && samples.len() >= MANY_STARS;
    if tones::is_bent(slope) && (!input.was_linear || closely) {
        return Err(NoPhotometry::NotLinear { seen: 1.0 + slope[0] });
    }
    if fit.scatter > WILD_MAG {
        return Err(NoPhotometry::NoFit {
            scatter_mag: fit.scatter,
        });
    }
    Ok(Photometry {
        limiting_mag: limit::limiting(&samples),
        sky: sky::sky(input, &samples, &bands, &fit),
        ..told(&samples, &fit, slope)
    })
}

fn told(samples: &[MeasuredStar], fit: &Fit, slope: [f64; 2]) -> Photometry {
    let [zero, colour, extinction, a, b] = fit.values;
    let sigma = |i: usize| fit.covariance[(i, i)].max(0.0).sqrt();
    let corner = nalgebra::SVector::from([0.0, 0.0, 0.0, 1.0, 1.0]);
    const MAG_PER_STOP: f64 = 0.752_575;
    Photometry {
        zero_point_mag: zero,
        zero_point_sigma: sigma(0).hypot(WINGS_MAG),
        colour_term: colour,
        colour_term_sigma: sigma(1),
        extinction_mag: fit.extinction_seen().then_some(extinction),
        extinction_sigma: fit.extinction_seen().then(|| sigma(2)),
        falloff_mag: [a, b],
        corner_stops: [
            (a + b) / MAG_PER_STOP,
            fit.sigma_of(&corner).hypot(CORNER_WINGS_MAG) / MAG_PER_STOP,
        ],
        stars: samples.len(),
        scatter_mag: fit.scatter,
        slope,
        limiting_mag: f64::NAN,
        sky: None,
        misses: samples
            .iter()
            .map(|s| LightMiss {
                at: s.at,
                // More light stands as a larger zero point.
                brighter_mag: fit.residual(s),
                airmass: s.airmass,
            })
            .collect(),
    }
}
