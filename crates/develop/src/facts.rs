//! What the layers tell once, whatever the settings.

use nightloom_raster::colour::luminance;
use nightloom_raster::{Plane, Rgb};
use nightloom_stack::{BackgroundModel, StarForm, StarFree, background_noise, median_of};
use serde::{Deserialize, Serialize};

/// Matte above which a pixel is the sky's, and below which it is the land's.
const SKY: f32 = 0.99;
const LAND: f32 = 0.05;
/// Every so many pixels levels are looked at.
const STEP: usize = 7;

/// Figures of balanced layers in linear light.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Facts {
    /// Width and height, pixels.
    pub size_px: [usize; 2],
    /// Whether there is land at all.
    pub has_land: bool,
    /// The sky's background.
    pub found: [f32; 3],
    /// Whether that has a model.
    pub has_model: bool,
    /// The sky's noise in single pixels as it is, and with all that is noise taken.
    pub noise: [[f32; 3]; 2],
    /// The 5th percentile and the median of the land's intensity.
    pub land: [Option<f32>; 2],
    /// Side of the cells of the sky without its stars, pixels.
    pub cell_px: usize,
    /// Sigma of a usual star's profile, pixels.
    #[serde(default = "usual_star")]
    pub star_sigma_px: f32,
}

/// Of layers that were kept before it was measured.
fn usual_star() -> f32 {
    1.1
}

/// The facts with what is too large to stand among them.
pub struct Told {
    /// The figures.
    pub facts: Facts,
    /// The sky's own light.
    pub model: Option<BackgroundModel>,
    /// The sky without its stars.
    pub cells: StarFree,
}

impl Told {
    /// Of a sky as it is, with all its noise taken (`quiet`), and the land under it.
    pub fn of(
        sky: &Rgb,
        quiet: &Rgb,
        land: Option<&Rgb>,
        alpha: &Plane,
        model: Option<BackgroundModel>,
    ) -> Self {
        let is_sky = |x: usize, y: usize| alpha.at(x, y) > SKY;
        let noise = |of: &Rgb| {
            of.planes()
                .each_ref()
                .map(|plane| background_noise(plane, is_sky))
        };
        let cells = StarFree::of(quiet, is_sky);
        let noise = [noise(sky), noise(quiet)];
        let facts = Facts {
            size_px: [alpha.width(), alpha.height()],
            has_land: land.is_some(),
            found: model
                .as_ref()
                .map_or_else(|| medians(sky, alpha), BackgroundModel::level),
            has_model: model.is_some(),
            star_sigma_px: StarForm::sigma_of(quiet, luminance(noise[1]), is_sky),
            noise,
            land: land.map_or([None; 2], |land| land_tones(land, alpha)),
            cell_px: cells.cell_px(),
        };
        Self { facts, model, cells }
    }

    /// What stars are told by.
    pub fn stars(&self) -> StarForm {
        StarForm {
            noise: luminance(self.facts.noise[1]),
            level: luminance(self.facts.found),
            sigma_px: self.facts.star_sigma_px,
        }
    }
}

/// The 5th percentile and the median of the land's intensity, on a sparse grid.
fn land_tones(land: &Rgb, alpha: &Plane) -> [Option<f32>; 2] {
    let [r, g, b] = land.planes();
    let mut values = Vec::new();
    for y in (0..r.height()).step_by(STEP) {
        let places = (0..r.width()).step_by(STEP).filter(|&x| alpha.at(x, y) < LAND);
        values.extend(
            places
                .map(|x| (r.at(x, y) + g.at(x, y) + b.at(x, y)) / 3.0)
                .filter(|v| v.is_finite()),
        );
    }
    values.sort_unstable_by(f32::total_cmp);
    [values.len() / 20, values.len() / 2].map(|k| values.get(k).copied())
}

/// Median sky colour on a sparse grid.
fn medians(sky: &Rgb, alpha: &Plane) -> [f32; 3] {
    sky.planes().each_ref().map(|plane| {
        let mut values = Vec::new();
        for y in (0..plane.height()).step_by(STEP) {
            values.extend(
                (0..plane.width())
                    .step_by(STEP)
                    .filter(|&x| alpha.at(x, y) > SKY)
                    .map(|x| plane.at(x, y)),
            );
        }
        median_of(&mut values).unwrap_or(0.0)
    })
}
