//! The sky's slow additive gradient: town, moon, airglow, what vignetting is left.
//!
//! A low-order polynomial is fitted to a mesh of sky levels: first, by least trimmed squares, to the
//! share of the mesh that agrees best with any one polynomial, then to all of it with weights that
//! fall to nothing on the bright side (Tukey's biweight; Beaton & Tukey 1974). What is brighter than
//! the polynomial on a scale it cannot follow (the Milky Way, nebulae) is left alone.

use nalgebra::{DMatrix, DVector};
use nightloom_fit::{Loss, SIGMA_PER_MAD, least_squares, median, median_and_sigma, median_of, non_negative};
use nightloom_raster::{Plane, Rgb};
use rayon::prelude::*;

use crate::along::{Run, along};
use crate::error::BackgroundError;
use crate::mask::Mask;
use crate::trimmed;

/// How the background is modelled.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct GradientSettings {
    /// Side of a mesh cell in pixels.
    pub mesh_px: usize,
    /// Total order of the polynomial, 1 to 4.
    pub order: usize,
    /// Share of a cell that must be sky.
    pub sky_share: f32,
    /// Rounds of reweighting.
    pub rounds: usize,
    /// Share of the sky, 0 to 1, that may be trusted to be without structure.
    pub plain_share: f64,
    /// Biweight constant in σ of the cells' residuals for the bright side.
    pub bright_limit: f64,
}

impl Default for GradientSettings {
    fn default() -> Self {
        Self {
            mesh_px: 64,
            order: 2,
            sky_share: 0.5,
            rounds: 20,
            plain_share: 0.4,
            bright_limit: 4.0,
        }
    }
}

/// What a sky is made of at a pixel `[x, y]`: the same number of values everywhere, `None` where nothing can be said. What is
/// the same everywhere need not be among them.
pub type SkyTerms<'a> = dyn Fn([f64; 2]) -> Option<Vec<f64>> + Sync + 'a;

/// A smooth model of the background of three planes.
#[derive(Clone, Debug, PartialEq)]
pub struct BackgroundModel {
    /// The model at every [`GRID`]-th pixel, per channel.
    knots: [Plane; 3],
    width: usize,
    height: usize,
    /// Per channel: the model's median over the sky.
    level: [f64; 3],
    /// Per channel: scatter of the sky cells about the model, σ.
    residual: [f64; 3],
    /// Cells of open sky the fit rests on.
    cells: usize,
}

/// Pixels between the places where a model is worked out; straight between them.
const GRID: usize = 16;
/// Fits the background of the sky by a polynomial over the picture.
///
/// `sky` is 1 where the picture shows sky (`None`: everywhere); `coverage`, where given, must be
/// above zero.
///
/// # Errors
/// [`BackgroundError::TooLittleSky`] when fewer than four cells per coefficient are open sky.
pub fn fit_background(
    rgb: &Rgb,
    sky: Option<&Mask>,
    coverage: Option<&Plane>,
    settings: &GradientSettings,
) -> Result<BackgroundModel, BackgroundError> {
    let order = settings.order.clamp(1, 4);
    let size = (rgb.width(), rgb.height());
    let polynomial = |[x, y]: [f64; 2]| Some(basis([scaled(x, size.0), scaled(y, size.1)], order));
    let cells = mesh(rgb, sky, coverage, settings);
    let rows: Vec<Vec<f64>> = cells.iter().filter_map(|c| polynomial(c.at)).collect();
    enough(cells.len(), terms(order).count())?;
    let design = DMatrix::from_fn(rows.len(), rows[0].len(), |i, j| rows[i][j]);
    let levels = levels(&cells);
    // Which cells shine above the background is asked once: answers by channel would tint it.
    let weights = weights(&design, &(levels.iter().sum::<DVector<f64>>() / 3.0), settings);
    let fits = levels.map(|levels| {
        let found = least_squares(&design, &levels, Some(&weights));
        let none = DVector::zeros(design.ncols());
        Fit::of(&design, &levels, design.ncols(), found.unwrap_or(none))
    });
    Ok(worked_out(size, cells.len(), fits, &polynomial))
}

/// The background of the sky by lights of its own, fitted beside what shines in the sky and is no background (the Milky
/// Way): that is explained, but is not part of the model.
///
/// Light only adds: every term is 0 or more, and so is its share. Which terms are needed, and which cells shine above all of
/// them, is asked once of the sum of the channels, so that the answer does not tint. `sky` and `coverage` are as in
/// [`fit_background`].
///
/// # Errors
/// [`BackgroundError::TooLittleSky`] when fewer than four cells per term are open sky.
pub fn fit_background_by(
    rgb: &Rgb,
    sky: Option<&Mask>,
    coverage: Option<&Plane>,
    [background, structure]: [&SkyTerms; 2],
    settings: &GradientSettings,
) -> Result<BackgroundModel, BackgroundError> {
    let own = |pixel: [f64; 2]| Some(background(pixel)?.len());
    let whole = |pixel: [f64; 2]| Some([background(pixel)?, structure(pixel)?].concat());
    fit_lights(rgb, sky, coverage, &whole, &own, settings)
}

/// All of the sky's smooth light by the same terms, the Milky Way's too: for what lies behind land.
///
/// # Errors
/// As [`fit_background_by`].
pub fn fit_smooth_sky(
    rgb: &Rgb,
    sky: Option<&Mask>,
    coverage: Option<&Plane>,
    [background, structure]: [&SkyTerms; 2],
    settings: &GradientSettings,
) -> Result<BackgroundModel, BackgroundError> {
    let whole = |pixel: [f64; 2]| Some([background(pixel)?, structure(pixel)?].concat());
    let all = |pixel: [f64; 2]| Some(whole(pixel)?.len());
    // Nothing that shines is beside it, so nothing is weighed down.
    let settings = GradientSettings {
        bright_limit: f64::INFINITY,
        ..*settings
    };
    fit_lights(rgb, sky, coverage, &whole, &all, &settings)
}

/// Fits lights; the first `own` of them make the model.
fn fit_lights(
    rgb: &Rgb,
    sky: Option<&Mask>,
    coverage: Option<&Plane>,
    lights: &SkyTerms,
    own: &dyn Fn([f64; 2]) -> Option<usize>,
    settings: &GradientSettings,
) -> Result<BackgroundModel, BackgroundError> {
    let all = mesh(rgb, sky, coverage, settings);
    let (rows, cells): (Vec<Vec<f64>>, Vec<Cell>) = all
        .into_iter()
        .filter_map(|cell| Some((lights(cell.at)?, cell)))
        .unzip();
    let count = rows.first().map_or(0, Vec::len);
    enough(cells.len(), count.max(1))?;
    let own = cells.first().and_then(|c| own(c.at)).unwrap_or(0);
    let design = DMatrix::from_fn(rows.len(), count, |i, j| rows[i][j]);
    let levels = levels(&cells);
    let (weights, needed) = needed(&design, &(levels.iter().sum::<DVector<f64>>() / 3.0), settings);
    let design = design.select_columns(&needed);
    let own_terms: Vec<usize> = needed.iter().copied().filter(|&j| j < own).collect();
    let fits = levels.map(|levels| {
        let found = non_negative(&design, &levels, Some(&weights));
        Fit::of(&design, &levels, own_terms.len(), found)
    });
    let at = |pixel: [f64; 2]| {
        let all = lights(pixel)?;
        Some(own_terms.iter().map(|&j| all[j]).collect())
    };
    Ok(worked_out((rgb.width(), rgb.height()), cells.len(), fits, &at))
}

/// What each cell counts, and the terms that are not zero: in turn until it stays.
fn needed(
    design: &DMatrix<f64>,
    levels: &DVector<f64>,
    settings: &GradientSettings,
) -> (DVector<f64>, Vec<usize>) {
    let mut weights = DVector::from_element(levels.len(), 1.0);
    let mut found = non_negative(design, levels, None);
    for _ in 0..settings.rounds {
        let residual = levels - design * &found;
        let limit = dark_side_sigma(&residual) * settings.bright_limit;
        weights = residual.map(|r| bright_weight(r, limit));
        let next = non_negative(design, levels, Some(&weights));
        let still = (&next - &found).amax() <= 1e-6 * next.amax();
        found = next;
        if still {
            break;
        }
    }
    let needed = (0..found.len()).filter(|&j| found[j] > 0.0).collect();
    (weights, needed)
}

fn levels(cells: &[Cell]) -> [DVector<f64>; 3] {
    std::array::from_fn(|c| {
        DVector::from_iterator(cells.len(), cells.iter().map(|cell| f64::from(cell.level[c])))
    })
}

fn enough(got: usize, coefficients: usize) -> Result<(), BackgroundError> {
    let needed = 4 * coefficients;
    match got < needed {
        true => Err(BackgroundError::TooLittleSky { needed, got }),
        false => Ok(()),
    }
}

/// The model whose terms have the coefficients found, worked out over a picture.
fn worked_out(
    (width, height): (usize, usize),
    cells: usize,
    fits: [Fit; 3],
    terms: &SkyTerms,
) -> BackgroundModel {
    let (columns, rows) = (width.div_ceil(GRID) + 1, height.div_ceil(GRID) + 1);
    let values: Vec<[f32; 3]> = (0..columns * rows)
        .into_par_iter()
        .map(|k| {
            let pixel = [(k % columns * GRID) as f64, (k / columns * GRID) as f64];
            let Some(terms) = terms(pixel) else {
                return std::array::from_fn(|c| fits[c].level as f32);
            };
            std::array::from_fn(|c| {
                let parts = fits[c].coefficients.iter().zip(&terms);
                parts.map(|(a, b)| a * b).sum::<f64>() as f32
            })
        })
        .collect();
    let knots =
        std::array::from_fn(|c| Plane::from_vec(columns, rows, values.iter().map(|v| v[c]).collect()));
    BackgroundModel {
        knots,
        width,
        height,
        level: std::array::from_fn(|c| fits[c].level),
        residual: std::array::from_fn(|c| fits[c].sigma),
        cells,
    }
}

impl BackgroundModel {
    /// The model along row `y` of channel `channel` (0 to 2); `out` starts at x = 0.
    pub fn eval_row(&self, channel: usize, y: usize, out: &mut [f32]) {
        let Some(knots) = self.knots.get(channel) else {
            return;
        };
        let (j, t) = (y / GRID, (y % GRID) as f32 / GRID as f32);
        let (upper, lower) = (knots.row(j), knots.row((j + 1).min(knots.height() - 1)));
        let down = |i: usize| upper[i] + t * (lower[i] - upper[i]);
        for (i, run) in out.chunks_mut(GRID).enumerate() {
            let (a, b) = (down(i), down((i + 1).min(knots.width() - 1)));
            let step = (b - a) / GRID as f32;
            run.iter_mut()
                .enumerate()
                .for_each(|(k, o)| *o = a + step * k as f32);
        }
    }

    /// A model from its knots, one at every 16th pixel, of a picture of this size; `level` is its median over the sky.
    pub fn of_knots(knots: [Plane; 3], [width, height]: [usize; 2], level: [f32; 3]) -> Self {
        Self {
            knots,
            width,
            height,
            level: level.map(f64::from),
            residual: [0.0; 3],
            cells: 0,
        }
    }

    /// The model's knots per channel, one at every 16th pixel.
    pub fn knots(&self) -> &[Plane; 3] {
        &self.knots
    }

    /// The model of channel `channel` (0 to 2) along a row.
    pub fn run(&self, channel: usize, run: Run, out: &mut [f32]) {
        let knots = |v: f32| v / GRID as f32;
        let first = [run.x, run.y].map(knots);
        along(&self.knots[channel.min(2)], first, knots(run.step), out);
    }

    /// The model of channel `channel` (0 to 2) at a pixel of the picture.
    pub fn at(&self, channel: usize, x: usize, y: usize) -> f32 {
        let knots = &self.knots[channel];
        let ([i, j], [u, v]) = (
            [x / GRID, y / GRID],
            [x % GRID, y % GRID].map(|k| k as f32 / GRID as f32),
        );
        let (i1, j1) = ((i + 1).min(knots.width() - 1), (j + 1).min(knots.height() - 1));
        let row = |j: usize| knots.at(i, j) + u * (knots.at(i1, j) - knots.at(i, j));
        row(j) + v * (row(j1) - row(j))
    }

    /// The median of the model over the sky it was fitted to, per channel.
    pub fn level(&self) -> [f32; 3] {
        self.level.map(|v| v as f32)
    }

    /// Scatter of the sky cells about the model, σ per channel.
    pub fn residual(&self) -> [f32; 3] {
        self.residual.map(|v| v as f32)
    }

    /// Number of mesh cells the model rests on.
    pub fn cells(&self) -> usize {
        self.cells
    }

    /// The model as a picture.
    pub fn render(&self) -> Rgb {
        let mut out = Rgb::filled(self.width, self.height, [0.0; 3]);
        let width = self.width.max(1);
        for (c, plane) in out.planes_mut().iter_mut().enumerate() {
            plane
                .data_mut()
                .par_chunks_mut(width)
                .enumerate()
                .for_each(|(y, row)| self.eval_row(c, y, row));
        }
        out
    }

    /// Takes the model off a picture of the same size, `strength` (0 to 1) of it; what is left has the level `kept`, one's own
    /// to lose only the gradient.
    pub fn subtract(&self, rgb: &mut Rgb, strength: f32, kept: [f32; 3]) {
        let width = self.width.max(1);
        for ((c, plane), kept) in rgb.planes_mut().iter_mut().enumerate().zip(kept) {
            plane
                .data_mut()
                .par_chunks_mut(width)
                .enumerate()
                .for_each(|(y, row)| {
                    let mut model = vec![0.0; row.len()];
                    self.eval_row(c, y, &mut model);
                    row.iter_mut()
                        .zip(model)
                        .for_each(|(v, m)| *v -= strength * (m - kept));
                });
        }
    }
}

/// Level of one mesh cell and the pixel in its middle.
struct Cell {
    at: [f64; 2],
    level: [f32; 3],
}

fn mesh(rgb: &Rgb, sky: Option<&Mask>, coverage: Option<&Plane>, settings: &GradientSettings) -> Vec<Cell> {
    let (w, h, m) = (rgb.width(), rgb.height(), settings.mesh_px.max(8));
    let rows = h.div_ceil(m);
    let of_row = |j: usize| {
        let cells = (0..w.div_ceil(m)).filter_map(|i| {
            let (x, y) = (i * m..((i + 1) * m).min(w), j * m..((j + 1) * m).min(h));
            cell(rgb, x, y, sky, coverage, settings.sky_share)
        });
        cells.collect::<Vec<_>>()
    };
    (0..rows).into_par_iter().flat_map_iter(of_row).collect()
}

/// Median level of the sky pixels of a cell after clipping stars; `None` if there are too few.
fn cell(
    rgb: &Rgb,
    x: std::ops::Range<usize>,
    y: std::ops::Range<usize>,
    sky: Option<&Mask>,
    coverage: Option<&Plane>,
    share: f32,
) -> Option<Cell> {
    let open = |x: usize, y: usize| {
        sky.is_none_or(|s| s.at(x, y) > 0.98) && coverage.is_none_or(|c| c.at(x, y) >= 1.0)
    };
    let mut values: [Vec<f32>; 3] = Default::default();
    let mut seen = 0;
    // A thousand pixels of a cell are plenty.
    let step = (x.len() / 32).max(1);
    for py in y.clone().step_by(step) {
        for px in x.clone().step_by(step) {
            seen += 1;
            if open(px, py) {
                values.iter_mut().zip(rgb.at(px, py)).for_each(|(v, p)| v.push(p));
            }
        }
    }
    if (values[0].len() as f32) < share * seen as f32 || values[0].len() < 12 {
        return None;
    }
    let level = values.map(clipped_level);
    let middle = |r: &std::ops::Range<usize>| 0.5 * (r.start + r.end - 1) as f64;
    let at = [middle(&x), middle(&y)];
    level.iter().all(|v| v.is_finite()).then_some(Cell { at, level })
}

/// Median after three rounds of clipping at 2.5 σ, σ from the median absolute deviation.
fn clipped_level(mut values: Vec<f32>) -> f32 {
    for _ in 0..3 {
        let Some((median, sigma)) = median_and_sigma(&mut values.clone()) else {
            return f32::NAN;
        };
        let before = values.len();
        values.retain(|v| (v - median).abs() <= 2.5 * sigma.max(f32::MIN_POSITIVE));
        if values.len() == before {
            break;
        }
    }
    median(&mut values).unwrap_or(f32::NAN)
}

fn scaled(at: f64, length: usize) -> f64 {
    2.0 * at / (length.max(2) - 1) as f64 - 1.0
}

/// Powers (i, j) of the terms up to a total order, (0, 0) first.
fn terms(order: usize) -> impl Iterator<Item = (usize, usize)> {
    (0..=order).flat_map(|n| (0..=n).map(move |j| (n - j, j)))
}

/// Legendre polynomials 0 to 4.
fn legendre(x: f64) -> [f64; 5] {
    let x2 = x * x;
    [
        1.0,
        x,
        0.5 * (3.0 * x2 - 1.0),
        0.5 * x * (5.0 * x2 - 3.0),
        0.125 * ((35.0 * x2 - 30.0) * x2 + 3.0),
    ]
}

fn basis(at: [f64; 2], order: usize) -> Vec<f64> {
    let (lx, ly) = (legendre(at[0]), legendre(at[1]));
    terms(order).map(|(i, j)| lx[i] * ly[j]).collect()
}

struct Fit {
    coefficients: Vec<f64>,
    level: f64,
    sigma: f64,
}

/// What each cell counts. First what most agrees with itself, whatever shines above it; then every cell again, the bright
/// ones weighed down.
fn weights(design: &DMatrix<f64>, levels: &DVector<f64>, settings: &GradientSettings) -> DVector<f64> {
    let start = trimmed::fit(design, levels, settings.plain_share);
    let mut coefficients = start.unwrap_or(DVector::zeros(design.ncols()));
    // Nothing that shines widens the dark side.
    let sigma = dark_side_sigma(&(levels - design * &coefficients));
    let mut weights = DVector::from_element(levels.len(), 1.0);
    for _ in 0..settings.rounds {
        let residual = levels - design * &coefficients;
        weights = residual.map(|r| bright_weight(r, sigma * settings.bright_limit));
        let Some(found) = least_squares(design, levels, Some(&weights)) else {
            break;
        };
        coefficients = found;
    }
    weights
}

impl Fit {
    /// The first `own` columns are the background.
    fn of(design: &DMatrix<f64>, levels: &DVector<f64>, own: usize, found: DVector<f64>) -> Self {
        let alone = design.columns(0, own) * found.rows(0, own);
        Self {
            level: median_of(alone.iter().copied()).unwrap_or(0.0),
            sigma: dark_side_sigma(&(levels - design * &found)),
            coefficients: found.iter().copied().take(own).collect(),
        }
    }
}

/// σ from the residuals below zero alone, which no bright structure widens.
fn dark_side_sigma(residual: &DVector<f64>) -> f64 {
    let below = residual.iter().filter(|r| **r < 0.0).map(|r| -r);
    median_of(below).unwrap_or(0.0) * SIGMA_PER_MAD
}

/// Biweight above, 1 below.
fn bright_weight(residual: f64, limit: f64) -> f64 {
    if residual <= 0.0 || limit <= 0.0 || !limit.is_finite() {
        return 1.0;
    }
    Loss::Biweight.weight(residual / limit).max(1e-4)
}
