//! What each coarse cell of the land picture looks like: star-free colour, structure, motion.

use nightloom_fit::{SIGMA_PER_MAD, median, median_of};
use nightloom_raster::Plane;
use rayon::prelude::*;

use crate::{Evidence, SeamError, Work, compose::LUMA, strokes::Span};

/// Measures of one cell.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Cell {
    /// Logarithms of the median colour (red, green, blue).
    pub(crate) colour: [f32; 3],
    /// Structure at 4 px against that at 2 px, natural logarithm; near 0 in a star-free sky.
    pub(crate) structure: f32,
    /// Structure at 4 px against the level, natural logarithm.
    pub(crate) texture: f32,
    /// Share of the cell that holds valid pixels.
    pub(crate) valid: f32,
}

/// Numbers that describe a cell: three of colour, texture, structure.
pub(crate) const FEATURES: usize = 5;

impl Cell {
    /// What it is compared by.
    pub(crate) fn feature(&self) -> [f32; FEATURES] {
        let [r, g, b] = self.colour;
        [r, g, b, self.texture, self.structure]
    }
}

/// The picture in cells.
#[derive(Clone, Debug)]
pub(crate) struct Cells {
    pub(crate) width: usize,
    pub(crate) height: usize,
    pub(crate) factor: usize,
    pub(crate) cells: Vec<Cell>,
}

impl Cells {
    /// A rectangle of the cells.
    pub(crate) fn part(&self, span: Span) -> Self {
        let rows = (span.y0..span.y1).flat_map(|j| &self.cells[j * self.width..][span.x0..span.x1]);
        Self {
            width: span.width(),
            height: span.height(),
            factor: self.factor,
            cells: rows.copied().collect(),
        }
    }

    /// Measures all cells of `factor` px.
    pub(crate) fn measure(evidence: &Evidence, factor: usize, work: &Work) -> Result<Self, SeamError> {
        let land = evidence.land;
        let (width, height) = (land.width().div_ceil(factor), land.height().div_ceil(factor));
        let floor = floor_level(evidence);
        let rows: Result<Vec<Vec<Cell>>, SeamError> = (0..height)
            .into_par_iter()
            .map(|j| {
                work.check()?;
                Ok((0..width)
                    .map(|i| measure_cell(evidence, factor, i, j, floor))
                    .collect())
            })
            .collect();
        Ok(Self {
            width,
            height,
            factor,
            cells: rows?.concat(),
        })
    }

    /// What is known of single cells, joined over squares of `by` cells.
    pub(crate) fn merged<T: Copy>(&self, by: usize, values: &[T], join: impl Fn(T, T) -> T) -> Vec<T> {
        let (width, height) = (self.width.div_ceil(by), self.height.div_ceil(by));
        (0..width * height)
            .map(|k| {
                let (x0, y0) = (k % width * by, k / width * by);
                let rows = y0..(y0 + by).min(self.height);
                rows.flat_map(|y| &values[y * self.width + x0..y * self.width + (x0 + by).min(self.width)])
                    .copied()
                    .reduce(&join)
                    .unwrap_or(values[0])
            })
            .collect()
    }

    /// Larger cells, each the mean of the valid ones among `by` × `by`.
    pub(crate) fn larger(&self, by: usize) -> Self {
        let weighted = |c: &Cell| (c.feature().map(|v| v * c.valid), c.valid, 1.0f32);
        let all: Vec<_> = self.cells.iter().map(weighted).collect();
        let sums = self.merged(by, &all, |a, b| {
            (std::array::from_fn(|i| a.0[i] + b.0[i]), a.1 + b.1, a.2 + b.2)
        });
        let mean = |(f, valid, n): ([f32; FEATURES], f32, f32)| {
            let [r, g, b, texture, structure] = f.map(|v| v / valid.max(1e-6));
            Cell {
                colour: [r, g, b],
                structure,
                texture,
                valid: valid / n,
            }
        };
        Self {
            width: self.width.div_ceil(by),
            height: self.height.div_ceil(by),
            factor: self.factor * by,
            cells: sums.into_iter().map(mean).collect(),
        }
    }
}

/// A level below which differences mean nothing: 2 % of the picture's middle level.
fn floor_level(evidence: &Evidence) -> f32 {
    let green = &evidence.land.planes()[1];
    let step = (green.data().len() / 20_000).max(1);
    let middle = median_of(green.data().iter().step_by(step).copied());
    middle.filter(|m| *m > 0.0).map_or(1e-6, |m| 0.02 * m)
}

fn measure_cell(evidence: &Evidence, factor: usize, i: usize, j: usize, floor: f32) -> Cell {
    let land = evidence.land;
    let (x0, y0) = (i * factor, j * factor);
    let (x1, y1) = ((x0 + factor).min(land.width()), (y0 + factor).min(land.height()));
    let mut values = Vec::with_capacity(factor * factor);
    let mut colour = [0.0f32; 3];
    let mut valid = 0.0;
    for (c, plane) in land.planes().iter().enumerate() {
        values.clear();
        for y in y0..y1 {
            values.extend(plane.row(y)[x0..x1].iter().copied().filter(|v| v.is_finite()));
        }
        valid = values.len() as f32 / ((x1 - x0) * (y1 - y0)).max(1) as f32;
        colour[c] = median(&mut values).unwrap_or(floor).max(floor).ln();
    }
    let (near, far) = (
        spread_at(land.planes(), [x0, y0, x1, y1], 2),
        spread_at(land.planes(), [x0, y0, x1, y1], 4),
    );
    let level = (0..3).map(|c| LUMA[c] * colour[c].exp()).sum::<f32>();
    let structure = ((far + 0.01 * level) / (near + 0.01 * level)).ln();
    Cell {
        colour,
        structure,
        texture: ((far + 0.01 * level) / (level + floor)).ln(),
        valid,
    }
}

/// Median difference of luminance between pixels `lag` apart, across and down, as a standard deviation.
fn spread_at(planes: &[Plane; 3], [x0, y0, x1, y1]: [usize; 4], lag: usize) -> f32 {
    let luma = |x: usize, y: usize| LUMA.iter().zip(planes).map(|(w, p)| w * p.at(x, y)).sum::<f32>();
    let (width, height) = (planes[0].width(), planes[0].height());
    let mut values = Vec::with_capacity(2 * (x1 - x0) * (y1 - y0));
    // A sixteenth of the pixels of a large cell tells its median well enough.
    let every = ((x1 - x0) / 4).clamp(1, 3);
    for y in (y0..y1).step_by(every) {
        for x in (x0..x1).step_by(every) {
            let here = luma(x, y);
            let across = if x + lag < width {
                luma(x + lag, y)
            } else {
                f32::NAN
            };
            let down = if y + lag < height {
                luma(x, y + lag)
            } else {
                f32::NAN
            };
            values.extend(
                [across, down]
                    .map(|v| (v - here).abs())
                    .into_iter()
                    .filter(|v| v.is_finite()),
            );
        }
    }
    median(&mut values).unwrap_or(0.0) * SIGMA_PER_MAD as f32 * std::f32::consts::FRAC_1_SQRT_2
}

/// Whether enough of a cell holds light.
pub(crate) fn usable(cells: &Cells, i: usize) -> bool {
    cells.cells[i].valid >= 0.5
}

/// How far apart the colours of two cells are, natural logarithms.
pub(crate) fn difference(cells: &Cells, p: usize, q: usize) -> f32 {
    let (a, b) = (&cells.cells[p].colour, &cells.cells[q].colour);
    (0..3).map(|c| (a[c] - b[c]).powi(2)).sum::<f32>().sqrt()
}
