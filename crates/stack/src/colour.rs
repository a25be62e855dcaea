//! Colour made neutral by the stars.

use nightloom_raster::colour::{black_body_rgb, temperature_of_b_v};

use crate::error::ColourError;

/// How the balance is found.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct NeutralSettings {
    /// Stars needed.
    pub min_stars: usize,
}

impl Default for NeutralSettings {
    fn default() -> Self {
        Self { min_stars: 8 }
    }
}

/// What a balance rests on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub enum NeutralBasis {
    /// Catalogue colours: each star was given the colour of a black body of its temperature.
    Catalogue,
    /// The middle star was taken for white. Over a few dozen stars to 8th magnitude that is right
    /// within some hundredths of B−V for wide fields, but a field of one cluster is off.
    MedianStar,
}

/// A colour balance.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Neutral {
    /// Factors for red, green, blue; green is 1.
    pub gains: [f32; 3],
    /// Standard error of the red and blue factor, relative, from the scatter of the stars.
    pub error: [f32; 2],
    /// Stars used.
    pub stars: usize,
    /// What it rests on.
    pub basis: NeutralBasis,
}

/// The gains that make stars show their colour.
///
/// `fluxes` are star fluxes in linear Rec. 2020 (any unit); `b_minus_v` the catalogue's Johnson
/// B−V for each of them, NaN where unknown. With enough known colours each star is compared with
/// [`star_colour`]; otherwise the middle star is taken for white.
///
/// # Errors
/// Fewer usable stars than [`NeutralSettings::min_stars`].
pub fn neutral_by_stars(
    fluxes: &[[f64; 3]],
    b_minus_v: Option<&[f64]>,
    settings: &NeutralSettings,
) -> Result<Neutral, ColourError> {
    let usable = |f: &[f64; 3]| f.iter().all(|v| v.is_finite() && *v > 0.0);
    let known = |i: usize| {
        b_minus_v
            .and_then(|b| b.get(i))
            .copied()
            .filter(|b| (-0.4..2.2).contains(b))
    };
    let with_colour: Vec<[f32; 2]> = fluxes
        .iter()
        .enumerate()
        .filter(|(_, f)| usable(f))
        .filter_map(|(i, f)| Some(log_ratios(f, star_colour(known(i)?))))
        .collect();
    if with_colour.len() >= settings.min_stars.max(1) {
        return Ok(balance(&with_colour, NeutralBasis::Catalogue));
    }
    let all: Vec<[f32; 2]> = fluxes
        .iter()
        .filter(|f| usable(f))
        .map(|f| log_ratios(f, [1.0; 3]))
        .collect();
    if all.len() < settings.min_stars.max(1) {
        return Err(ColourError::TooFewStars {
            needed: settings.min_stars.max(1),
            got: all.len(),
        });
    }
    Ok(balance(&all, NeutralBasis::MedianStar))
}

/// Colour of a star of Johnson B−V as linear Rec. 2020 with green 1: a black body of Ballesteros'
/// temperature (2012, EPL 97, 34008, eq. 14).
pub fn star_colour(b_minus_v: f64) -> [f64; 3] {
    let rgb = black_body_rgb(temperature_of_b_v(b_minus_v)).map(f64::from);
    // The reddest stars lie at the edge of the gamut; no channel may vanish.
    rgb.map(|v| (v / rgb[1]).max(1e-3))
}

/// Natural logarithms of the factors that red and blue need against green.
fn log_ratios(flux: &[f64; 3], expected: [f64; 3]) -> [f32; 2] {
    let green = flux[1] / expected[1];
    [0, 2].map(|c| (green * expected[c] / flux[c]).ln() as f32)
}

fn balance(ratios: &[[f32; 2]], basis: NeutralBasis) -> Neutral {
    let fit = |c: usize| {
        let mut values: Vec<f32> = ratios.iter().map(|r| r[c]).collect();
        let (median, sigma) = nightloom_fit::median_and_sigma(&mut values).unwrap_or((0.0, 0.0));
        let kept = ratios
            .iter()
            .map(|r| r[c])
            .filter(|v| (v - median).abs() <= 2.5 * sigma.max(1e-6));
        let (sum, count) = kept.fold((0.0, 0.0), |(s, n), v| (s + v, n + 1.0));
        (
            if count > 0.0 { sum / count } else { median },
            sigma / (ratios.len() as f32).sqrt(),
        )
    };
    let [(red, red_error), (blue, blue_error)] = [fit(0), fit(1)];
    Neutral {
        gains: [red.exp(), 1.0, blue.exp()],
        error: [red_error, blue_error],
        stars: ratios.len(),
        basis,
    }
}
