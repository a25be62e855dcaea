//! Frames brought to one background before they are averaged.
//!
//! A stack follows the stars, but the light of towns and of the horizon stays with the ground, and what
//! a flat did not correct with the lens: every frame has a slow background of its own, and where one
//! frame or its land ends, the mean would step. So each frame gets a smooth correction of its own:
//!
//! 1. Every frame's level is measured, as the median of a patch, in the cells of a coarse grid.
//! 2. With s the level of the scene in cell c, the levels are taken for s(c) + p(f, c): p is a cubic
//!    in the canvas's coordinates, of lower degree for a frame with few cells. s and p are found in turn
//!    (backfitting, Buja, Hastie & Tibshirani 1989), with Tukey's biweight against cells that a cloud or an
//!    aircraft spoils.
//! 3. The cubic in the middle of all corrections belongs to the scene and is given back, so that
//!    level and gradient of the whole stay where they were.
//!
//! The correction is added, so it touches no star's flux.

use std::sync::atomic::{AtomicBool, Ordering};

use nalgebra::{Cholesky, Const, SVector};
use nightloom_fit::{BIWEIGHT, Loss, Normal, median, median_of};
use rayon::prelude::*;

use crate::error::CombineError;
use crate::input::Input;
use crate::polynomial::{Cubic, Domain, TERMS, cubic_terms};
use crate::source::{Block, Source};

/// The canvas's longer side is cut in about so many cells, …
const CELLS: usize = 60;
/// … no smaller and no larger than this, in pixels.
const CELL_PX: (usize, usize) = (16, 128);
/// Side of the patch measured in a cell, at most, pixels.
const PATCH_PX: usize = 32;
/// Rows of a frame that are read at a time.
const ROWS: usize = 256;
/// Pixels between the places in a patch where the mask is asked.
const MASK_STEP_PX: usize = 3;
/// Cells shared with other frames that a correction of degree 0, 1, 2, 3 needs.
const ENOUGH: [usize; 4] = [3, 12, 30, 60];
/// Share of a frame's cells by which its coefficients are drawn to 0: settles what the cells do not.
const RIDGE: f64 = 1e-4;
/// Rounds of the backfitting at most; those after which cells are weighted anew; the change of a
/// coefficient that ends it, as a share of saturation (under a hundredth of a 16-bit step).
const ROUNDS: usize = 100;
const WEIGHING_ROUNDS: usize = 8;
const SETTLED: f64 = 1e-7;
/// Where corrections begin to pull less on their middle, in medians of their distance from it; rounds.
const HUBER: f64 = 2.0;
const HUBER_ROUNDS: usize = 10;

/// What is taken from one frame.
pub(crate) struct FrameLevel {
    own: [Cubic; 3],
    common: [Cubic; 3],
}

impl FrameLevel {
    /// Where the canvas columns x0, x0 + 1, … lie for both of its cubics.
    pub(crate) fn columns(&self, x0: usize, pixels: usize) -> [Vec<f32>; 2] {
        // The channels' cubics have one rectangle.
        [&self.own[0], &self.common[0]].map(|cubic| cubic.columns(x0, pixels))
    }

    /// Takes the correction off the values of a canvas row at these columns in one channel.
    pub(crate) fn take_off(&self, channel: usize, y: usize, columns: &[Vec<f32>; 2], values: &mut [f32]) {
        let (own, common) = (self.own[channel].along(y), self.common[channel].along(y));
        let [of_own, of_common] = columns;
        for ((v, u), w) in values.iter_mut().zip(of_own).zip(of_common) {
            *v -= own.at(*u) - common.at(*w);
        }
    }
}

/// A correction per input; `None` where there is none to make.
///
/// # Errors
/// A frame that cannot be read; [`CombineError::Cancelled`].
pub(crate) fn levels(
    inputs: &[Input],
    (width, height): (usize, usize),
    cancelled: &AtomicBool,
) -> Result<Vec<Option<FrameLevel>>, CombineError> {
    let grid = Grid::new(width, height);
    let measured: Result<Vec<Vec<[f32; 3]>>, CombineError> = inputs
        .par_iter()
        .enumerate()
        .map(|(index, input)| grid.measure(index, input, cancelled))
        .collect();
    let mut frames = frames(&grid, inputs, &measured?);
    if frames.iter().filter(|f| f.degree.is_some()).count() < 2 {
        return Ok(inputs.iter().map(|_| None).collect());
    }
    backfit(&mut frames, grid.len());
    let common = common(&frames, &grid);
    let level = |f: Frame| {
        f.degree?;
        Some(FrameLevel {
            own: f.coefficients.map(|c| Cubic::new(f.domain, c)),
            common,
        })
    };
    Ok(frames.into_iter().map(level).collect())
}

/// The cells.
pub(crate) struct Grid {
    size: (usize, usize),
    cell: usize,
    columns: usize,
    rows: usize,
}

impl Grid {
    pub(crate) fn new(width: usize, height: usize) -> Self {
        let cell = (width.max(height) / CELLS).clamp(CELL_PX.0, CELL_PX.1);
        Self {
            size: (width, height),
            cell,
            columns: width / cell,
            rows: height / cell,
        }
    }

    pub(crate) fn len(&self) -> usize {
        self.columns * self.rows
    }

    pub(crate) fn centre(&self, cell: usize) -> [f64; 2] {
        let along = |i: usize| (i as f64 + 0.5) * self.cell as f64 - 0.5;
        [along(cell % self.columns), along(cell / self.columns)]
    }

    /// Side of a cell, pixels.
    pub(crate) fn side(&self) -> usize {
        self.cell
    }

    /// The part of the canvas that whole cells cover.
    pub(crate) fn covered(&self) -> (usize, usize) {
        (self.columns * self.cell, self.rows * self.cell)
    }

    /// The cell that holds a point of the covered part.
    pub(crate) fn holding(&self, [x, y]: [f64; 2]) -> usize {
        let along = |at: f64, cells: usize| ((at.max(0.0) as usize) / self.cell).min(cells - 1);
        along(y, self.rows) * self.columns + along(x, self.columns)
    }

    /// A frame's level per cell and channel; not a number where it does not fill the cell's patch.
    pub(crate) fn measure(
        &self,
        index: usize,
        input: &Input,
        cancelled: &AtomicBool,
    ) -> Result<Vec<[f32; 3]>, CombineError> {
        if cancelled.load(Ordering::Relaxed) {
            return Err(CombineError::Cancelled);
        }
        let blocks: Vec<Option<Block>> = (0..self.len())
            .map(|cell| self.patch(input, self.centre(cell)).filter(|_| input.is_used()))
            .collect();
        let mut levels: Vec<[f32; 3]> = blocks
            .iter()
            .map(|b| [if b.is_some() { 0.0 } else { f32::NAN }; 3])
            .collect();
        for (c, (gain, offset)) in input.gain.iter().zip(&input.offset).enumerate() {
            let read = patches(input.source, c, &blocks, |cell, values| {
                let median = median(values).unwrap_or(f32::NAN);
                let surface = input.surface.as_ref().map(|s| s.at(c, self.centre(cell)));
                levels[cell][c] = median * gain + offset + surface.unwrap_or(0.0);
            });
            read.map_err(|source| CombineError::Read { index, source })?;
        }
        Ok(levels)
    }

    /// The frame's pixels for a cell, if it shows all of them and its mask lets them all pass.
    fn patch(&self, input: &Input, [x, y]: [f64; 2]) -> Option<Block> {
        let side = self.cell.min(PATCH_PX);
        if let Some(mask) = input.mask {
            let clamp = |v: f64, length: usize| v.clamp(0.0, (length - 1) as f64) as usize;
            let half = side as f64 / 2.0;
            // Close enough that no tree stands between two of them.
            let steps = side.div_ceil(MASK_STEP_PX).max(1);
            let along = |k: usize| half * (2.0 * k as f64 / steps as f64 - 1.0);
            let passes = |sx: f64, sy: f64| {
                let (x, y) = (clamp(x + sx, self.size.0), clamp(y + sy, self.size.1));
                mask.at(x, y) > 0.99
            };
            if !(0..=steps).all(|j| (0..=steps).all(|i| passes(along(i), along(j)))) {
                return None;
            }
        }
        let [sx, sy] = match &input.to_source {
            Some(mapping) => mapping([x, y])?,
            None => [x, y],
        };
        let (width, height) = input.source.size();
        let start = |at: f64, length: usize| {
            let first = (at - 0.5 * (side - 1) as f64).round();
            (first >= 0.0 && first + side as f64 <= length as f64).then_some(first as usize)
        };
        Some(Block {
            x0: start(sx, width)?,
            y0: start(sy, height)?,
            width: side,
            height: side,
        })
    }
}

/// Hands the values of each block of one plane on, in the order of the rows: these are read many at a time, since a call for
/// each line of each block would cost more than all that is done with them.
fn patches(
    source: &dyn Source,
    plane: usize,
    blocks: &[Option<Block>],
    mut take: impl FnMut(usize, &mut [f32]),
) -> std::io::Result<()> {
    let mut places: Vec<(usize, Block)> = (0..).zip(blocks).filter_map(|(k, b)| Some((k, (*b)?))).collect();
    places.sort_by_key(|(k, b)| (b.y0, *k));
    let (width, height) = source.size();
    let (mut rows, mut values) = (Vec::new(), Vec::new());
    let mut rest = &places[..];
    while let Some((_, first)) = rest.first() {
        let top = first.y0;
        let count = ROWS.max(first.height).min(height - top);
        rows.resize(count * width, 0.0);
        source.read_rows(plane, top, count, &mut rows)?;
        let (inside, after) = rest.split_at(rest.partition_point(|(_, b)| b.y0 + b.height <= top + count));
        // Else the rest would never grow less.
        if inside.is_empty() {
            return Err(std::io::Error::new(
                std::io::ErrorKind::InvalidInput,
                "a patch reaches beyond its plane",
            ));
        }
        for (k, block) in inside {
            values.clear();
            for y in block.y0 - top..block.y0 - top + block.height {
                let from = y * width + block.x0;
                values.extend_from_slice(&rows[from..from + block.width]);
            }
            take(*k, &mut values);
        }
        rest = after;
    }
    Ok(())
}

/// One frame in the fit.
struct Frame {
    /// Its weight in the stack.
    weight: f64,
    domain: Domain,
    /// Of its correction; `None` for a frame with too few cells.
    degree: Option<usize>,
    cells: Vec<Cell>,
    coefficients: [[f64; TERMS]; 3],
}

/// A frame in one cell.
struct Cell {
    index: usize,
    terms: SVector<f64, TERMS>,
    values: [f64; 3],
    /// 1 for one that fits, falling to 0; 0 where no other frame is.
    trust: f64,
}

impl Frame {
    fn at(&self, cell: &Cell, channel: usize) -> f64 {
        let coefficients = self.coefficients[channel].iter();
        coefficients.zip(cell.terms.iter()).map(|(a, t)| a * t).sum()
    }
}

fn frames(grid: &Grid, inputs: &[Input], measured: &[Vec<[f32; 3]>]) -> Vec<Frame> {
    let known = |m: &[f32; 3]| m.iter().all(|v| v.is_finite());
    let mut count = vec![0; grid.len()];
    for levels in measured {
        for (n, m) in count.iter_mut().zip(levels) {
            *n += usize::from(known(m));
        }
    }
    let frame = |(input, levels): (&Input, &Vec<[f32; 3]>)| {
        let own: Vec<usize> = (0..grid.len()).filter(|k| known(&levels[*k])).collect();
        let shared = own.iter().filter(|k| count[**k] > 1).count();
        let degree = ENOUGH.iter().rposition(|n| shared >= *n);
        let domain = Domain::of(own.iter().map(|k| grid.centre(*k)), grid.cell as f64 / 2.0);
        let cell = |index: usize| Cell {
            index,
            terms: cubic_terms(domain.place(grid.centre(index)), degree.unwrap_or(0)).into(),
            values: levels[index].map(f64::from),
            trust: f64::from(u8::from(count[index] > 1)),
        };
        Frame {
            weight: f64::from(input.worth()),
            domain,
            degree,
            cells: own.into_iter().map(cell).collect(),
            coefficients: [[0.0; TERMS]; 3],
        }
    };
    inputs.iter().zip(measured).map(frame).collect()
}

/// Finds the scene's levels and the frames' coefficients in turn.
fn backfit(frames: &mut [Frame], cells: usize) {
    let mut solvers = Vec::new();
    for round in 0..ROUNDS {
        let scene = if round == 0 {
            middle(frames, cells)
        } else {
            mean(frames, cells)
        };
        if (1..=WEIGHING_ROUNDS).contains(&round) {
            weigh(frames, &scene);
        }
        if round <= WEIGHING_ROUNDS {
            solvers = frames.iter().map(solver).collect();
        }
        let steps = frames.par_iter_mut().zip(&solvers);
        let change = steps.map(|(frame, solver)| fit(frame, solver.as_ref(), &scene));
        let change = change.reduce(|| 0.0, f64::max);
        if round > WEIGHING_ROUNDS && change < SETTLED {
            break;
        }
    }
}

/// The scene as the median of all frames in a cell.
fn middle(frames: &[Frame], cells: usize) -> Vec<[f64; 3]> {
    let mut all: Vec<[Vec<f32>; 3]> = (0..cells).map(|_| Default::default()).collect();
    for cell in frames.iter().flat_map(|f| &f.cells) {
        for (list, v) in all[cell.index].iter_mut().zip(cell.values) {
            list.push(v as f32);
        }
    }
    all.iter_mut()
        .map(|lists| lists.each_mut().map(|l| f64::from(median(l).unwrap_or(0.0))))
        .collect()
}

/// The scene as the weighted mean of all corrected frames in a cell; 0 where there are none.
fn mean(frames: &[Frame], cells: usize) -> Vec<[f64; 3]> {
    let mut sums = vec![[[0.0; 2]; 3]; cells];
    for frame in frames.iter().filter(|f| f.degree.is_some()) {
        for cell in &frame.cells {
            let weight = frame.weight * cell.trust;
            for (c, sum) in sums[cell.index].iter_mut().enumerate() {
                sum[0] += weight * (cell.values[c] - frame.at(cell, c));
                sum[1] += weight;
            }
        }
    }
    let mean = |[sum, weight]: [f64; 2]| if weight > 0.0 { sum / weight } else { 0.0 };
    sums.into_iter().map(|s| s.map(mean)).collect()
}

/// Sets each cell's trust by how well it fits, in all channels together.
fn weigh(frames: &mut [Frame], scene: &[[f64; 3]]) {
    let mut all: Vec<f32> = Vec::new();
    for frame in frames.iter().filter(|f| f.degree.is_some()) {
        let shared = frame.cells.iter().filter(|c| c.trust > 0.0);
        all.extend(shared.map(|cell| miss(frame, cell, &scene[cell.index]) as f32));
    }
    // The median length of a normal 3-vector is 1.538 σ (chi distribution).
    let sigma = f64::from(median(&mut all).unwrap_or(0.0)) / 1.538;
    let end = 3f64.sqrt() * BIWEIGHT * sigma.max(1e-9);
    for frame in frames {
        let trusts: Vec<f64> = frame
            .cells
            .iter()
            .map(|c| miss(frame, c, &scene[c.index]) / end)
            .collect();
        for (cell, t) in frame.cells.iter_mut().zip(trusts) {
            // Alone in a cell a frame says nothing of its difference from others and stays out.
            if cell.trust > 0.0 {
                cell.trust = Loss::Biweight.weight(t).max(1e-6);
            }
        }
    }
}

/// Distance of a frame's level from what the fit says, in all channels together.
fn miss(frame: &Frame, cell: &Cell, scene: &[f64; 3]) -> f64 {
    let misses = (0..3).map(|c| cell.values[c] - frame.at(cell, c) - scene[c]);
    misses.map(|m| m * m).sum::<f64>().sqrt()
}

type Solver = Cholesky<f64, Const<TERMS>>;

/// The normal equations of one frame.
fn solver(frame: &Frame) -> Option<Solver> {
    frame.degree?;
    let total: f64 = frame.cells.iter().map(|c| c.trust).sum();
    let mut normal = Normal::with_ridge([RIDGE * total + f64::MIN_POSITIVE; TERMS]);
    for cell in &frame.cells {
        normal.add(cell.terms, 0.0, cell.trust);
    }
    normal.factor()
}

/// Fits one frame to the scene; returns the largest change of a coefficient.
fn fit(frame: &mut Frame, solver: Option<&Solver>, scene: &[[f64; 3]]) -> f64 {
    let Some(solver) = solver else {
        return 0.0;
    };
    let mut change = 0.0f64;
    for (c, coefficients) in frame.coefficients.iter_mut().enumerate() {
        let mut right = SVector::<f64, TERMS>::zeros();
        for cell in &frame.cells {
            right += cell.terms * (cell.trust * (cell.values[c] - scene[cell.index][c]));
        }
        for (old, new) in coefficients.iter_mut().zip(solver.solve(&right).iter()) {
            change = change.max((new - *old).abs());
            *old = *new;
        }
    }
    change
}

/// The cubic, over the whole canvas, in the middle of all corrections: their mean, but frames far off
/// (cloud, a lamp) pull on it no more than the usual ones (Huber 1964).
fn common(frames: &[Frame], grid: &Grid) -> [Cubic; 3] {
    let domain = Domain::of((0..grid.len()).map(|k| grid.centre(k)), grid.cell as f64 / 2.0);
    let corrections = |frame: &Frame| -> Vec<Cell> {
        let cell = |cell: &Cell| Cell {
            index: 0,
            terms: cubic_terms(domain.place(grid.centre(cell.index)), 3).into(),
            values: [0, 1, 2].map(|c| frame.at(cell, c)),
            trust: frame.weight,
        };
        frame.cells.iter().map(cell).collect()
    };
    let mut all = Frame {
        weight: 1.0,
        domain,
        degree: Some(3),
        cells: frames
            .iter()
            .filter(|f| f.degree.is_some())
            .flat_map(corrections)
            .collect(),
        coefficients: [[0.0; TERMS]; 3],
    };
    let weights: Vec<f64> = all.cells.iter().map(|c| c.trust).collect();
    for _ in 0..HUBER_ROUNDS {
        let solver = solver(&all);
        fit(&mut all, solver.as_ref(), &[[0.0; 3]]);
        let misses: Vec<f64> = all.cells.iter().map(|c| miss(&all, c, &[0.0; 3])).collect();
        let limit = HUBER * median_of(misses.iter().copied()).unwrap_or(0.0).max(1e-9);
        for ((cell, weight), miss) in all.cells.iter_mut().zip(&weights).zip(misses) {
            cell.trust = weight * Loss::Huber.weight(miss / limit);
        }
    }
    all.coefficients.map(|c| Cubic::new(domain, c))
}
