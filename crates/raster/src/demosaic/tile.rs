//! Cutting a mosaic into tiles that overlap by what the method looks at.

use super::directional::{self, MosaicView, Scratch};
use super::{Directions, TILE_HEIGHT, TILE_WIDTH};
use crate::Mosaic;

/// How far the method looks to each side: 11 pixels, made even so that a tile starts in phase.
pub(super) const HALO: usize = 12;

/// Demosaics the tile whose first pixel is (`x0`, `y0`) into the band that starts at row `y0`.
pub(super) fn demosaic_tile(
    mosaic: &Mosaic,
    (balance, directions): ([f32; 3], Directions),
    (x0, y0): (usize, usize),
    scratch: &mut Scratch,
    out: &mut [&mut [f32]; 3],
) {
    let (width, height) = (mosaic.plane.width(), mosaic.plane.height());
    let (inner_w, inner_h) = (TILE_WIDTH.min(width - x0), TILE_HEIGHT.min(height - y0));
    let view = MosaicView {
        width: inner_w + 2 * HALO,
        height: inner_h + 2 * HALO,
        cfa: mosaic.cfa,
    };
    scratch.resize(view);
    for y in 0..view.height {
        let from = mosaic.plane.row(mirrored(y + y0, height));
        let factors = [0, 1].map(|x| balance[mosaic.cfa.colour(x, y)]);
        let row = scratch.mosaic_row(y, view);
        if x0 >= HALO && x0 + inner_w + HALO <= width && view.width.is_multiple_of(2) {
            let from = from[x0 - HALO..][..view.width].as_chunks().0;
            for ([a, b], [even, odd]) in row.as_chunks_mut().0.iter_mut().zip(from) {
                (*a, *b) = (even * factors[0], odd * factors[1]);
            }
            continue;
        }
        for (x, v) in row.iter_mut().enumerate() {
            *v = from[mirrored(x + x0, width)] * factors[x & 1];
        }
    }
    directional::run(scratch, view, directions);
    for (channel, plane) in out.iter_mut().enumerate() {
        let back = 1.0 / balance[channel];
        for y in 0..inner_h {
            let from = &scratch.rgb_row(channel, y + HALO, view)[HALO..HALO + inner_w];
            for (o, &v) in plane[y * width + x0..][..inner_w].iter_mut().zip(from) {
                *o = v * back;
            }
        }
    }
}

/// The index in 0..n that stands for `padded − HALO` when the picture is mirrored about its
/// outermost pixels, which stand once: … 2 1 0 1 2 … n−2 n−1 n−2 … Odd and even stay so.
fn mirrored(padded: usize, n: usize) -> usize {
    let period = 2 * (n - 1);
    let i = (padded + period * HALO - HALO) % period;
    if i < n { i } else { period - i }
}
