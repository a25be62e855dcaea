//! What lies round points: level and noise in blocks, and how far from a point its treatment reaches.

use rayon::prelude::*;

use crate::{DISTANCE_UNIT, Mosaic};

/// The tent alone up to this distance from such a sample, pixels: rings reach as far …
const WHOLE_PX: f32 = 5.0;
/// … and nothing of it from here on.
pub(super) const NONE_PX: f32 = 8.0;
/// Side of a block whose median is the surroundings, pixels.
pub(super) const BLOCK: usize = 32;

/// What a pixel so far from a point has of the points' treatment.
pub(super) fn share_of_points(far: u8) -> f32 {
    let t = (NONE_PX - f32::from(far) / f32::from(DISTANCE_UNIT)) / (NONE_PX - WHOLE_PX);
    let t = t.clamp(0.0, 1.0);
    t * t * (3.0 - 2.0 * t)
}

/// Level and noise of each colour in blocks of the mosaic.
pub(super) struct Surroundings {
    pub(super) across: usize,
    down: usize,
    pub(super) blocks: Vec<Block>,
}

#[derive(Clone, Copy)]
pub(super) struct Block {
    pub(super) level: [f32; 3],
    pub(super) sigma: [f32; 3],
}

impl Surroundings {
    pub(super) fn of(mosaic: &Mosaic, sigma: &(dyn Fn(f32) -> f32 + Sync)) -> Self {
        let (width, height) = (mosaic.plane.width(), mosaic.plane.height());
        let (across, down) = (width.div_ceil(BLOCK), height.div_ceil(BLOCK));
        let block = |k: usize| {
            let level = levels(mosaic, [k % across * BLOCK, k / across * BLOCK]);
            Block {
                level,
                sigma: level.map(sigma),
            }
        };
        Self {
            across,
            down,
            blocks: (0..across * down).into_par_iter().map(block).collect(),
        }
    }

    /// Noise of a pixel at the level of its block.
    pub(super) fn sigma(&self, colour: usize, x: usize, y: usize) -> f32 {
        self.blocks[y / BLOCK * self.across + x / BLOCK].sigma[colour]
    }

    /// The level, without steps between blocks.
    pub(super) fn level(&self, colour: usize, x: usize, y: usize) -> f32 {
        let along = |at: usize, n: usize| {
            let t = ((at as f32 + 0.5) / BLOCK as f32 - 0.5).clamp(0.0, n as f32 - 1.0);
            let first = (t as usize).min(n.saturating_sub(2));
            (first, (first + 1).min(n - 1), t - first as f32)
        };
        let ((i, i1, u), (j, j1, v)) = (along(x, self.across), along(y, self.down));
        let at = |i: usize, j: usize| self.blocks[j * self.across + i].level[colour];
        let row = |j: usize| at(i, j) + u * (at(i1, j) - at(i, j));
        row(j) + v * (row(j1) - row(j))
    }
}

/// Median of each colour in a block.
fn levels(mosaic: &Mosaic, [x0, y0]: [usize; 2]) -> [f32; 3] {
    let (width, height) = (mosaic.plane.width(), mosaic.plane.height());
    // The last block is as large as the others.
    let (x0, y0) = (x0.min(width - BLOCK), y0.min(height - BLOCK));
    let mut samples = [(); 3].map(|()| Vec::with_capacity(BLOCK * BLOCK));
    for y in y0..y0 + BLOCK {
        let row = mosaic.plane.row(y);
        for (x, v) in row.iter().enumerate().take(x0 + BLOCK).skip(x0) {
            samples[mosaic.cfa.colour(x, y)].push(*v);
        }
    }
    samples.map(|mut values| nightloom_fit::median(&mut values).unwrap_or(f32::INFINITY))
}
