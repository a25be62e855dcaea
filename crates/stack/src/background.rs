//! The sky's slow additive gradient: town, moon, airglow, what vignetting is left.
//!
//! A low-order polynomial is fitted to a mesh of sky levels: first, by least trimmed squares, to the
//! share of the mesh that agrees best with any one polynomial, then to all of it with weights that
//! fall to nothing on the bright side (Tukey's biweight; Beaton & Tukey 1974). What is brighter than
//! the polynomial on a scale it cannot follow (the Milky Way, nebulae) is left alone.

use nalgebra::{DMatrix, DVector};
use nightloom_fit::{Loss, SIGMA_PER_MAD, least_squares, median, median_and_sigma, median_of};
use nightloom_raster::{Plane, Rgb};
use rayon::prelude::*;

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

/// A smooth model of the background of three planes.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct BackgroundModel {
    width: usize,
    height: usize,
    order: usize,
    /// Per channel: coefficients of the products of Legendre polynomials, see [`terms`].
    coefficients: [Vec<f64>; 3],
    /// Per channel: the model's median over the sky.
    level: [f64; 3],
    /// Per channel: scatter of the sky cells about the model, σ.
    residual: [f64; 3],
    /// Cells of open sky the fit rests on.
    cells: usize,
}

/// Fits the background of the sky.
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
    let cells = mesh(rgb, sky, coverage, settings);
    let needed = 4 * terms(order).count();
    if cells.len() < needed {
        return Err(BackgroundError::TooLittleSky {
            needed,
            got: cells.len(),
        });
    }
    let rows: Vec<Vec<f64>> = cells.iter().map(|c| basis(c.at, order)).collect();
    let design = DMatrix::from_fn(cells.len(), rows[0].len(), |i, j| rows[i][j]);
    let fits: [Fit; 3] = std::array::from_fn(|c| {
        let levels = DVector::from_iterator(cells.len(), cells.iter().map(|cell| f64::from(cell.level[c])));
        Fit::new(&design, &levels, settings)
    });
    Ok(BackgroundModel {
        width: rgb.width(),
        height: rgb.height(),
        order,
        level: std::array::from_fn(|c| fits[c].level),
        residual: std::array::from_fn(|c| fits[c].sigma),
        coefficients: fits.map(|f| f.coefficients),
        cells: cells.len(),
    })
}

impl BackgroundModel {
    /// The model along row `y` of channel `channel` (0 to 2); `out` starts at x = 0.
    pub fn eval_row(&self, channel: usize, y: usize, out: &mut [f32]) {
        let Some(coefficients) = self.coefficients.get(channel) else {
            return;
        };
        let ly = legendre(scaled(y as f64, self.height));
        // Collapse y first: a polynomial in x is left.
        let mut in_x = [0.0; 5];
        for ((i, j), c) in terms(self.order).zip(coefficients) {
            in_x[i] += c * ly[j];
        }
        for (x, o) in out.iter_mut().enumerate() {
            let lx = legendre(scaled(x as f64, self.width));
            *o = in_x.iter().zip(lx).map(|(a, b)| a * b).sum::<f64>() as f32;
        }
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

    /// Takes the model off a picture of the same size, `strength` (0 to 1) of it. With `keep_level`
    /// the sky keeps its mean brightness and loses only the gradient; without, the sky goes to zero.
    pub fn subtract(&self, rgb: &mut Rgb, strength: f32, keep_level: bool) {
        let width = self.width.max(1);
        for (c, plane) in rgb.planes_mut().iter_mut().enumerate() {
            let kept = if keep_level { self.level[c] as f32 } else { 0.0 };
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

/// Level of one mesh cell and its place, −1 to 1 across the picture.
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
        sky.is_none_or(|s| s.at(x, y) > 0.98) && coverage.is_none_or(|c| c.at(x, y) > 0.0)
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
    let at = [scaled(middle(&x), rgb.width()), scaled(middle(&y), rgb.height())];
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

impl Fit {
    /// First what most agrees with itself, whatever shines above it; then every cell again, the
    /// bright ones weighed down.
    fn new(design: &DMatrix<f64>, levels: &DVector<f64>, settings: &GradientSettings) -> Self {
        let start = trimmed::fit(design, levels, settings.plain_share);
        let mut coefficients = start.unwrap_or(DVector::zeros(design.ncols()));
        // Nothing that shines widens the dark side.
        let sigma = dark_side_sigma(&(levels - design * &coefficients));
        for _ in 0..settings.rounds {
            let residual = levels - design * &coefficients;
            let weights = residual.map(|r| bright_weight(r, sigma * settings.bright_limit));
            let Some(found) = least_squares(design, levels, Some(&weights)) else {
                break;
            };
            coefficients = found;
        }
        let model = design * &coefficients;
        let level = median_of(model.iter().copied()).unwrap_or(0.0);
        let sigma = dark_side_sigma(&(levels - model));
        Self {
            coefficients: coefficients.iter().copied().collect(),
            level,
            sigma,
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
    if residual <= 0.0 || limit <= 0.0 {
        return 1.0;
    }
    Loss::Biweight.weight(residual / limit).max(1e-4)
}
