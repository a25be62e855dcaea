//! How bright the sky of one frame was, and how faint it reaches.

use std::path::Path;

use nightloom_raster::{Frame, Mosaic, Pixels, Plane};
use nightloom_stars::{
    BlindIdentification, Field, LightInput, LightMiss, NoPhotometry, Photometry, SkyMap, SkySpot, photometry,
};
use rayon::prelude::*;

use super::stance::Stance;
use super::{FrameTold, SingleError, look};
use nightloom_outing::World;

/// No natural sky is darker, V mag/arcsec²: between the zodiacal light and the Milky Way at solar minimum 22.0 to 22.1
/// is seen (Patat 2008, A&A 481, 575, table 4: the darkest nights; from memory), with what a single frame errs by.
const DARKEST_MAG: f64 = 22.3;

/// The light of a frame. Magnitudes are V. A figure is absent where it cannot be had; `notes` say why.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize)]
pub struct FrameLight {
    /// Magnitude above the air of a star (B−V = 0) that gives one unit of saturation a second in green in
    /// the middle of the frame; a frame, where the file tells no exposure.
    pub zero_point_mag: Option<f64>,
    /// Its standard deviation.
    pub zero_point_sigma: Option<f64>,
    /// `second` or `frame`.
    pub zero_point_per: &'static str,
    /// What is added to a green magnitude per magnitude of B−V.
    pub colour_term: Option<f64>,
    /// Loss in the air, magnitudes per airmass.
    pub extinction_mag: Option<f64>,
    /// Its standard deviation.
    pub extinction_sigma: Option<f64>,
    /// Brightness of the sky, the median over the frame's sky, as seen from the ground.
    pub sky_mag_arcsec2: Option<f64>,
    /// Its standard deviation.
    pub sky_sigma: Option<f64>,
    /// The sky's colour as a star's B−V.
    pub sky_b_v: Option<f64>,
    /// The darkest place.
    pub sky_darkest: Option<SkySpot>,
    /// The highest place.
    pub sky_highest: Option<SkySpot>,
    /// The sky's brightness over the frame.
    pub sky_map: Option<SkyMap>,
    /// Magnitude of a point source found at 5 σ.
    pub limiting_mag: Option<f64>,
    /// How the lens darkens its corners.
    pub falloff: Option<FalloffReport>,
    /// Stars that all this rests on.
    pub stars: usize,
    /// Robust scatter of one of them, magnitudes.
    pub scatter_mag: Option<f64>,
    /// Change of the residual with each magnitude; 0 where numbers are proportional to light.
    pub slope: Option<f64>,
    /// What is missing and why, and what was assumed: whole sentences.
    pub notes: Vec<String>,
    /// What is left of each star's light.
    #[serde(skip)]
    pub(crate) misses: Vec<LightMiss>,
}

/// How the lens darkens its corners, in stops below the middle.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
pub struct FalloffReport {
    /// By the stars at the corner.
    pub corner_stops: f64,
    /// Its standard deviation.
    pub corner_sigma: f64,
    /// By the background at the corner, a slope across the frame taken out; the sky's own form is in it.
    pub background_corner_stops: Option<f64>,
    /// Magnitudes lost by stars: the first times h² and the second times h⁴, h in half diagonals.
    pub mag: [f64; 2],
}

/// Identifies a frame and measures its light.
///
/// `None` where the frame is not identified.
///
/// # Errors
/// As [`super::identify_frame`].
pub fn frame_light(
    path: &Path,
    hints: &FrameTold,
    world: &dyn World,
) -> Result<Option<FrameLight>, SingleError> {
    let seen = look(path, hints, world)?;
    Ok(seen
        .found
        .as_ref()
        .map(|found| light_of(&seen.frame, &seen.field, found, seen.stance.as_ref())))
}

/// The light of a frame whose stars are found and identified.
pub(crate) fn light_of(
    frame: &Frame,
    field: &Field,
    found: &BlindIdentification,
    stance: Option<&Stance>,
) -> FrameLight {
    let colours = if matches!(frame.pixels, Pixels::Grey(_)) {
        1
    } else {
        3
    };
    let input = LightInput {
        colours,
        plane: &|colour| plane(&frame.pixels, colour),
        field,
        found,
        exposure_s: frame.meta.exposure_s.filter(|s| s.is_finite() && *s > 0.0),
        overhead: stance.map(|s| s.overhead),
        // Files give black as a whole number of their own steps.
        black_sigma: 1.0 / f64::from(frame.levels.span()[1].max(1.0)),
        was_linear: frame.was_linear,
    };
    let mut light = FrameLight {
        zero_point_per: if input.exposure_s.is_some() {
            "second"
        } else {
            "frame"
        },
        ..FrameLight::default()
    };
    match photometry(&input) {
        Ok(told) => fill(&mut light, told, &input),
        Err(why) => light.notes.push(refusal(&why)),
    }
    light
}

fn refusal(why: &NoPhotometry) -> String {
    format!("No magnitudes can be told: {why}.")
}

fn fill(light: &mut FrameLight, told: Photometry, input: &LightInput<'_>) {
    light.zero_point_mag = Some(told.zero_point_mag);
    light.zero_point_sigma = Some(told.zero_point_sigma);
    light.colour_term = Some(told.colour_term);
    light.extinction_mag = told.extinction_mag;
    light.extinction_sigma = told.extinction_sigma;
    light.limiting_mag = Some(told.limiting_mag);
    light.stars = told.stars;
    light.scatter_mag = Some(told.scatter_mag);
    light.slope = Some(told.slope[0]);
    light.falloff = Some(FalloffReport {
        corner_stops: told.corner_stops[0],
        corner_sigma: told.corner_stops[1],
        background_corner_stops: told.sky.as_ref().map(|s| s.corner_stops),
        mag: told.falloff_mag,
    });
    note(light, &told, input);
    light.misses.clone_from(&told.misses);
    let Some(sky) = told.sky else { return };
    if sky.mag_arcsec2 - 2.0 * sky.sigma > DARKEST_MAG {
        light.notes.push(format!(
            "The background comes out at {:.1} mag/arcsec², darker than any sky over land and sea: the black level of this \
             file is not the sensor's, or the frame was edited. The sky's brightness is not told.",
            sky.mag_arcsec2
        ));
        return;
    }
    {
        light.sky_mag_arcsec2 = Some(sky.mag_arcsec2);
        light.sky_sigma = Some(sky.sigma);
        light.sky_b_v = (input.colours == 3).then_some(sky.b_v);
        light.sky_darkest = Some(sky.darkest);
        light.sky_highest = sky.highest;
        light.sky_map = Some(sky.map);
    }
}

fn note(light: &mut FrameLight, told: &Photometry, input: &LightInput<'_>) {
    let mut say = |sentence: &str| light.notes.push(sentence.to_owned());
    if input.overhead.is_none() {
        say(
            "Place or time is not known, so the loss in the air was taken as 0.28 ± 0.15 magnitudes; give --lat and --lon, \
             and the time where the file has none.",
        );
    } else if told.extinction_mag.is_none() {
        say(
            "The frame spans too little height for its own extinction; 0.20 ± 0.08 magnitudes per airmass were taken.",
        );
    }
    if input.exposure_s.is_none() {
        say("The file tells no exposure, so the zero point is for the frame as a whole.");
    }
    if !input.was_linear {
        say(
            "This picture was made for display; its tones only look proportional to light, so the sky's brightness is good \
             to 0.3 magnitudes at best.",
        );
    }
    if told.sky.is_none() {
        say("No part of the frame is open sky, so its brightness is not told.");
    }
}

/// One colour on the grid of the brightness plane: a Bayer mosaic's is the mean of the 2 × 2 cell's pixels of that
/// colour, so that a star's light stays whole; one of 6 × 6 is interpolated.
pub(super) fn plane(pixels: &Pixels, colour: usize) -> Plane {
    match pixels {
        Pixels::Mosaic(mosaic) if mosaic.cfa.side() == 2 => of_colour(mosaic, colour),
        Pixels::Mosaic(mosaic) => mosaic.interpolated().planes()[colour.min(2)].clone(),
        Pixels::Rgb(picture) => picture.planes()[colour.min(2)].clone(),
        Pixels::Grey(plane) => plane.clone(),
    }
}

fn of_colour(mosaic: &Mosaic, colour: usize) -> Plane {
    let from = &mosaic.plane;
    let (width, height) = (from.width(), from.height());
    let mut plane = Plane::filled(width, height, 0.0);
    plane
        .data_mut()
        .par_chunks_mut(width.max(1))
        .enumerate()
        .for_each(|(y, row)| {
            for (x, value) in row.iter_mut().enumerate() {
                // Where the cell would leave the frame, the one before it stands in.
                let (x, y) = (x.min(width.saturating_sub(2)), y.min(height.saturating_sub(2)));
                let (mut sum, mut n) = (0.0, 0.0f32);
                for (px, py) in [(x, y), (x + 1, y), (x, y + 1), (x + 1, y + 1)] {
                    if px < width && py < height && mosaic.cfa.colour(px, py) == colour {
                        sum += from.at(px, py);
                        n += 1.0;
                    }
                }
                *value = sum / n.max(1.0);
            }
        });
    plane
}
