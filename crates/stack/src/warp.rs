//! Lanczos resampling of a source through a smooth mapping.

use std::io;

use nightloom_raster::Plane;
use rayon::prelude::*;

use crate::mapping::{Mapping, MappingGrid};
use crate::resample::{Patch, pay_back};
use crate::source::{Block, Source};
use crate::wide::resample_row;

/// Pixels of support on either side: Lanczos-3.
const REACH: usize = 3;

/// How a source is resampled.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct WarpSettings {
    /// The mapping is asked at every so many pixels and interpolated between. 16 keeps the error
    /// below 0.01 px for lenses (see the test of the mapping).
    pub grid_px: usize,
}

impl Default for WarpSettings {
    fn default() -> Self {
        Self { grid_px: 16 }
    }
}

/// Resamples one plane of a source onto a canvas of `width` × `height` pixels; NaN where the source
/// does not cover a pixel with its full 6 × 6 support.
///
/// Lanczos-3 without its dark rings: no value is below the least of the 4 × 4 source pixels round its
/// point, and what that adds is taken from the bright pixels near by, so that flux stays. Meant for scales near 1: a source
/// much finer than the canvas would alias.
///
/// # Errors
/// When the source cannot be read.
pub fn warp(
    source: &dyn Source,
    plane: usize,
    to_source: &Mapping,
    width: usize,
    height: usize,
    settings: &WarpSettings,
) -> io::Result<Plane> {
    const ROWS: usize = 128;
    let grid = MappingGrid::new(to_source, width, height, settings.grid_px);
    let mut out = Plane::filled(width, height, f32::NAN);
    out.data_mut()
        .par_chunks_mut((width * ROWS).max(1))
        .enumerate()
        .try_for_each(|(b, rows)| {
            let block = Block {
                x0: 0,
                y0: b * ROWS,
                width,
                height: rows.len() / width.max(1),
            };
            let coordinates = Coordinates::new(&grid, block);
            coordinates.resample(source, &[plane], &mut [rows])
        })?;
    Ok(out)
}

/// Where the pixels of a block of the canvas come from.
pub(crate) struct Coordinates {
    width: usize,
    xs: Vec<f32>,
    ys: Vec<f32>,
}

impl Coordinates {
    pub(crate) fn new(grid: &MappingGrid, block: Block) -> Self {
        let size = block.width * block.height;
        let (mut xs, mut ys) = (vec![0.0; size], vec![0.0; size]);
        let lines = xs
            .chunks_exact_mut(block.width.max(1))
            .zip(ys.chunks_exact_mut(block.width.max(1)));
        for (y, (xs, ys)) in (block.y0..).zip(lines) {
            grid.row(y, block.x0, xs, ys);
        }
        Self {
            width: block.width,
            xs,
            ys,
        }
    }

    pub(crate) fn points(&self) -> impl Iterator<Item = (f32, f32)> + '_ {
        self.xs.iter().copied().zip(self.ys.iter().copied())
    }

    /// The part of a source of the given size that these pixels need, or `None` if they need none.
    pub(crate) fn needs(&self, (width, height): (usize, usize)) -> Option<Block> {
        if width < 2 * REACH || height < 2 * REACH {
            return None;
        }
        let (mut low, mut high) = ([f32::INFINITY; 2], [f32::NEG_INFINITY; 2]);
        for (x, y) in self.points().filter(|p| supported(*p, width, height)) {
            low = [low[0].min(x), low[1].min(y)];
            high = [high[0].max(x), high[1].max(y)];
        }
        if low[0] > high[0] {
            return None;
        }
        let (x0, y0) = (low[0] as usize + 1 - REACH, low[1] as usize + 1 - REACH);
        let (x1, y1) = (high[0] as usize + REACH, high[1] as usize + REACH);
        Some(Block {
            x0,
            y0,
            width: x1 - x0 + 1,
            height: y1 - y0 + 1,
        })
    }

    /// Resamples some planes of a source; returns with `out` unchanged where nothing is covered.
    pub(crate) fn resample(
        &self,
        source: &dyn Source,
        planes: &[usize],
        out: &mut [&mut [f32]],
    ) -> io::Result<()> {
        let size = source.size();
        let Some(block) = self.needs(size) else {
            return Ok(());
        };
        let mut added = Vec::new();
        // The kernel loads eight values where it uses six.
        let mut data = vec![0.0; block.width * block.height + 8];
        for (plane, out) in planes.iter().zip(out) {
            source.read_block(*plane, block, &mut data[..block.width * block.height])?;
            let patch = Patch {
                data: &data,
                block,
                size,
            };
            let width = self.width.max(1);
            added.resize(out.len(), 0.0);
            let lines = out.chunks_exact_mut(width).zip(added.chunks_exact_mut(width));
            let points = self.xs.chunks_exact(width).zip(self.ys.chunks_exact(width));
            for ((line, added), points) in lines.zip(points) {
                resample_row(&patch, points, line, added);
            }
            pay_back(out, &added, width);
        }
        Ok(())
    }
}

/// Whether all 6 × 6 pixels round a point lie on the source.
#[inline]
pub(crate) fn supported((x, y): (f32, f32), width: usize, height: usize) -> bool {
    let low = (REACH - 1) as f32;
    x >= low && y >= low && x < (width - REACH) as f32 && y < (height - REACH) as f32
}
