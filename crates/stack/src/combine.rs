//! Many frames, warped onto one canvas, become one picture.

use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};

use nightloom_raster::{Plane, Rgb};
use rayon::prelude::*;

use crate::error::CombineError;
use crate::input::Input;
use crate::level;
use crate::mapping::MappingGrid;
use crate::noise::background_noise;
use crate::pixel_noise::PixelNoise;
use crate::reject::{self, RejectSettings};
use crate::source::Block;
use crate::tile::{self, Layer, Prepared};
use crate::warp::WarpSettings;
use crate::worth;

/// How frames are combined.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CombineSettings {
    /// What is thrown out.
    pub reject: RejectSettings,
    /// How frames are resampled.
    pub warp: WarpSettings,
    /// Frames lose weight over so many pixels towards their own border, so that no step shows where
    /// one ends; where only one frame reaches it is taken at full value up to its last pixel.
    pub feather_px: f32,
    /// Brings every frame's slow background (moving glow, what a flat left) to that of all together,
    /// by a cubic over the canvas that is added before anything is judged or averaged: so frames and
    /// their land end without a step. The whole keeps its level and gradient. Not for frames whose
    /// light changed by a factor, as moonlit land does: a correction that is added would change its
    /// contrast.
    pub level_frames: bool,
    /// Mebibytes one thread may hold for its part of the canvas.
    pub tile_mib: usize,
}

impl Default for CombineSettings {
    fn default() -> Self {
        Self {
            reject: RejectSettings::default(),
            warp: WarpSettings::default(),
            feather_px: 24.0,
            level_frames: true,
            tile_mib: 64,
        }
    }
}

/// A finished stack.
#[derive(Clone, Debug, PartialEq)]
pub struct Stacked {
    /// The weighted mean of what was kept; 0 where no frame reaches.
    pub rgb: Rgb,
    /// How many frames went into each pixel: fractional where masks are soft, not where frames fade
    /// out, so the outermost pixel of a single frame counts 1.
    pub coverage: Plane,
    /// Noise of single pixels of the background, per channel, see [`background_noise`].
    pub noise: [f32; 3],
    /// Share of all covered values that were rejected, 0 to 1.
    pub rejected_fraction: f64,
    /// The same per input.
    pub rejected_per_input: Vec<f64>,
    /// The same per input and cell of [`Stacked::MAP_CELL`] pixels of the canvas.
    pub rejected_map: Vec<Plane>,
}

impl Stacked {
    /// Side in pixels of the cells of `rejected_map`.
    pub const MAP_CELL: usize = 32;
}

/// Warps all inputs onto a canvas of `width` × `height` pixels and combines them: mean weighted by
/// worth (weight over variance) and mask, of what is not saturated and what [`RejectSettings`] lets pass.
///
/// Works tile by tile: beyond the result each thread holds about `settings.tile_mib`, and the
/// sampled mappings take 8 bytes per 16 × 16 pixels and frame. The result does not depend on the
/// number of threads. `progress` is called with 0 to 1, from any thread.
///
/// # Errors
/// No frames, a frame that is not colour, cannot be read, or is unmapped and of another size;
/// [`CombineError::Cancelled`] soon after `cancelled` is set.
pub fn combine(
    inputs: &[Input],
    width: usize,
    height: usize,
    settings: &CombineSettings,
    progress: &(dyn Fn(f64) + Sync),
    cancelled: &AtomicBool,
) -> Result<Stacked, CombineError> {
    check(inputs, width, height)?;
    let prepared = prepare(inputs, (width, height), settings, cancelled)?;
    let mut work = Work::new(inputs.len(), width, height);
    let tiles = tiles(
        width,
        height,
        tile_side(inputs.iter().filter(|i| i.is_used()).count(), settings.tile_mib),
    );
    let done = AtomicUsize::new(0);
    for group in tiles.chunks(rayon::current_num_threads() * 4) {
        let results: Result<Vec<TileResult>, CombineError> = group
            .par_iter()
            .map(|inner| {
                if cancelled.load(Ordering::Relaxed) {
                    return Err(CombineError::Cancelled);
                }
                let result = one_tile(inputs, &prepared, *inner, (width, height), settings)?;
                let done = done.fetch_add(1, Ordering::Relaxed) + 1;
                progress(done as f64 / tiles.len() as f64);
                Ok(result)
            })
            .collect();
        results?.iter().for_each(|r| work.place(r));
    }
    Ok(work.finish())
}

fn check(inputs: &[Input], width: usize, height: usize) -> Result<(), CombineError> {
    if !inputs.iter().any(Input::is_used) {
        return Err(CombineError::Empty);
    }
    for (index, input) in inputs.iter().enumerate() {
        let planes = input.source.planes();
        if planes != 3 {
            return Err(CombineError::Planes { index, planes });
        }
        let got = input.source.size();
        if input.to_source.is_none() && got != (width, height) {
            return Err(CombineError::Size {
                index,
                expected: (width, height),
                got,
            });
        }
    }
    Ok(())
}

fn prepare<'a>(
    inputs: &'a [Input],
    (width, height): (usize, usize),
    settings: &CombineSettings,
    cancelled: &AtomicBool,
) -> Result<Vec<Prepared<'a>>, CombineError> {
    let levels = if settings.level_frames {
        level::levels(inputs, (width, height), cancelled)?
    } else {
        inputs.iter().map(|_| None).collect()
    };
    let one = |(i, level): (&'a Input, _)| {
        let mapping = i.to_source.as_deref().filter(|_| i.is_used());
        let grid = mapping.map(|m| MappingGrid::new(m, width, height, settings.warp.grid_px));
        Prepared { grid, level }
    };
    Ok(inputs.par_iter().zip(levels).map(one).collect())
}

/// Side of a square tile for which one thread's layers, scores and statistics fit the memory.
fn tile_side(inputs: usize, mib: usize) -> usize {
    /// Three values, two weights, a score and a flag per layer, and about as much for eight layers
    /// once for the statistics.
    const BYTES: usize = 26;
    let pixels = (mib.max(1) << 20) / (BYTES * (inputs + 4));
    // Multiples of the rejection map's cells, so that no cell belongs to two tiles.
    let side = pixels.isqrt().saturating_sub(2 * reject::HALO);
    (side / Stacked::MAP_CELL).clamp(4, 32) * Stacked::MAP_CELL
}

fn tiles(width: usize, height: usize, side: usize) -> Vec<Block> {
    let starts = |length: usize| (0..length).step_by(side);
    starts(height)
        .flat_map(|y0| starts(width).map(move |x0| (x0, y0)))
        .map(|(x0, y0)| Block {
            x0,
            y0,
            width: side.min(width - x0),
            height: side.min(height - y0),
        })
        .collect()
}

/// `inner` and up to `HALO` pixels round it that lie on the canvas.
fn with_halo(inner: Block, (width, height): (usize, usize)) -> Block {
    let (x0, y0) = (
        inner.x0.saturating_sub(reject::HALO),
        inner.y0.saturating_sub(reject::HALO),
    );
    let x1 = (inner.x0 + inner.width + reject::HALO).min(width);
    let y1 = (inner.y0 + inner.height + reject::HALO).min(height);
    Block {
        x0,
        y0,
        width: x1 - x0,
        height: y1 - y0,
    }
}

/// What one tile adds.
struct TileResult {
    inner: Block,
    rgb: [Vec<f32>; 3],
    coverage: Vec<f32>,
    /// Per layer: input, covered and rejected counts per cell.
    counts: Vec<(usize, Vec<[u32; 2]>)>,
}

fn one_tile(
    inputs: &[Input],
    prepared: &[Prepared],
    inner: Block,
    canvas: (usize, usize),
    settings: &CombineSettings,
) -> Result<TileResult, CombineError> {
    let outer = with_halo(inner, canvas);
    let mut layers = tile::load(inputs, prepared, outer, settings.feather_px)?;
    tile::drop_clipped(&mut layers, inputs);
    let noises: Vec<PixelNoise> = layers.iter().map(|l| inputs[l.input].noise).collect();
    let rejected = reject::reject(&layers, &noises, outer.width, outer.height, &settings.reject);
    let size = inner.width * inner.height;
    let mut result = TileResult {
        inner,
        rgb: std::array::from_fn(|_| vec![0.0; size]),
        coverage: vec![0.0; size],
        counts: layers
            .iter()
            .zip(&rejected)
            .map(|(l, r)| (l.input, cells(l, r, inner, outer)))
            .collect(),
    };
    let mut weights = vec![0.0; size];
    let light = worth::light(&layers, inputs, outer.width);
    for (layer, flags) in layers.iter().zip(&rejected) {
        let worth = worth::Worths::new(&inputs[layer.input], light.as_deref());
        add_layer(layer, flags, &worth, outer, &mut result, &mut weights);
    }
    for plane in &mut result.rgb {
        plane
            .iter_mut()
            .zip(&weights)
            .for_each(|(v, w)| *v = if *w > 0.0 { *v / w } else { 0.0 });
    }
    Ok(result)
}

fn add_layer(
    layer: &Layer,
    rejected: &[bool],
    worth: &worth::Worths<'_>,
    outer: Block,
    result: &mut TileResult,
    weights: &mut [f32],
) {
    let inner = result.inner;
    for y in 0..inner.height {
        let from = (y + inner.y0 - outer.y0) * outer.width + inner.x0 - outer.x0;
        for x in 0..inner.width {
            let (p, o) = (from + x, y * inner.width + x);
            let part = layer.weight[p] * worth.at(p);
            if part <= 0.0 || rejected[p] {
                continue;
            }
            weights[o] += part;
            result.coverage[o] += layer.share[p];
            for (sum, values) in result.rgb.iter_mut().zip(&layer.values) {
                sum[o] += part * values[p];
            }
        }
    }
}

/// Covered and rejected pixels per cell of the map.
fn cells(layer: &Layer, rejected: &[bool], inner: Block, outer: Block) -> Vec<[u32; 2]> {
    let columns = inner.width.div_ceil(Stacked::MAP_CELL);
    let mut counts = vec![[0; 2]; columns * inner.height.div_ceil(Stacked::MAP_CELL)];
    for y in 0..inner.height {
        let from = (y + inner.y0 - outer.y0) * outer.width + inner.x0 - outer.x0;
        for x in 0..inner.width {
            let cell = &mut counts[y / Stacked::MAP_CELL * columns + x / Stacked::MAP_CELL];
            cell[0] += u32::from(layer.weight[from + x] > 0.0);
            cell[1] += u32::from(rejected[from + x]);
        }
    }
    counts
}

/// The picture as it grows.
struct Work {
    rgb: [Plane; 3],
    coverage: Plane,
    totals: Vec<[u64; 2]>,
    map: Vec<Plane>,
}

impl Work {
    fn new(inputs: usize, width: usize, height: usize) -> Self {
        let cells = (
            width.div_ceil(Stacked::MAP_CELL),
            height.div_ceil(Stacked::MAP_CELL),
        );
        Self {
            rgb: std::array::from_fn(|_| Plane::filled(width, height, 0.0)),
            coverage: Plane::filled(width, height, 0.0),
            totals: vec![[0; 2]; inputs],
            map: vec![Plane::filled(cells.0, cells.1, 0.0); inputs],
        }
    }

    fn place(&mut self, tile: &TileResult) {
        let planes = self.rgb.iter_mut().chain([&mut self.coverage]);
        for (plane, values) in planes.zip(tile.rgb.iter().chain([&tile.coverage])) {
            for (y, line) in values.chunks_exact(tile.inner.width).enumerate() {
                plane.row_mut(tile.inner.y0 + y)[tile.inner.x0..][..line.len()].copy_from_slice(line);
            }
        }
        let columns = tile.inner.width.div_ceil(Stacked::MAP_CELL);
        let (cx, cy) = (
            tile.inner.x0 / Stacked::MAP_CELL,
            tile.inner.y0 / Stacked::MAP_CELL,
        );
        for (input, cells) in &tile.counts {
            for (k, [covered, rejected]) in cells.iter().enumerate() {
                let total = &mut self.totals[*input];
                total[0] += u64::from(*covered);
                total[1] += u64::from(*rejected);
                *self.map[*input].at_mut(cx + k % columns, cy + k / columns) =
                    *rejected as f32 / (*covered).max(1) as f32;
            }
        }
    }

    fn finish(self) -> Stacked {
        let share = |[covered, rejected]: [u64; 2]| rejected as f64 / covered.max(1) as f64;
        let sum = self.totals.iter().fold([0, 0], |s, t| [s[0] + t[0], s[1] + t[1]]);
        let coverage = self.coverage;
        let noise = std::array::from_fn(|c| background_noise(&self.rgb[c], |x, y| coverage.at(x, y) > 0.0));
        Stacked {
            rgb: Rgb::from_planes(self.rgb),
            coverage,
            noise,
            rejected_fraction: share(sum),
            rejected_per_input: self.totals.into_iter().map(share).collect(),
            rejected_map: self.map,
        }
    }
}
