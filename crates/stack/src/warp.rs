//! Lanczos resampling of a source through a smooth mapping.

use std::io;

use nightloom_raster::Plane;
use rayon::prelude::*;

use crate::mapping::{Mapping, MappingGrid};
use crate::resample::{Patch, floor, pay_back, supported};
use crate::source::{Block, Source};
use crate::wide::resample_row;

/// Pixels of support on either side: Lanczos-3.
const REACH: i32 = 3;

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

/// Resamples one plane of a source onto a canvas of `width` × `height` pixels; NaN where a pixel's
/// centre lies on none of the source's pixels (further than half a pixel outside the centres of the
/// outermost). Near its border the source is continued by its mirror image.
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
            coordinates.resample(source, [plane], [rows])
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

    /// First and last column and row of a source of the given size that these pixels need, with the
    /// mirrored ones beyond its border; `None` if they need none.
    fn needs(&self, (width, height): (usize, usize)) -> Option<Window> {
        let (mut low, mut high) = ([f32::INFINITY; 2], [f32::NEG_INFINITY; 2]);
        for (x, y) in self.points().filter(|p| supported(*p, width, height)) {
            low = [low[0].min(x), low[1].min(y)];
            high = [high[0].max(x), high[1].max(y)];
        }
        (low[0] <= high[0]).then(|| Window {
            x: [floor(low[0]) + 1 - REACH, floor(high[0]) + REACH],
            y: [floor(low[1]) + 1 - REACH, floor(high[1]) + REACH],
        })
    }

    /// Resamples some planes of a source; returns with `out` unchanged where nothing is covered.
    pub(crate) fn resample<const N: usize>(
        &self,
        source: &dyn Source,
        planes: [usize; N],
        mut out: [&mut [f32]; N],
    ) -> io::Result<()> {
        let size = source.size();
        let Some(window) = self.needs(size) else {
            return Ok(());
        };
        let (mut data, mut read) = ([(); N].map(|()| Vec::new()), Vec::new());
        for (plane, data) in planes.iter().zip(&mut data) {
            window.read(source, *plane, &mut read, data)?;
        }
        drop(read);
        let patch = Patch {
            data: data.each_ref().map(Vec::as_slice),
            width: window.width(),
            origin: (window.x[0], window.y[0]),
            size,
        };
        let width = self.width.max(1);
        let mut added = out.each_ref().map(|out| vec![0.0; out.len()]);
        let points = self.xs.chunks_exact(width).zip(self.ys.chunks_exact(width));
        for (y, points) in points.enumerate() {
            let row = y * width..(y + 1) * width;
            let line = out.each_mut().map(|out| &mut out[row.clone()]);
            let added = added.each_mut().map(|added| &mut added[row.clone()]);
            resample_row(&patch, points, line, added);
        }
        for (out, added) in out.into_iter().zip(&added) {
            pay_back(out, added, width);
        }
        Ok(())
    }
}

/// First and last column and row of a piece of a source, which may reach over its border.
struct Window {
    x: [i32; 2],
    y: [i32; 2],
}

impl Window {
    fn width(&self) -> usize {
        (self.x[1] - self.x[0] + 1) as usize
    }

    /// Fills `data` with the window's rows and eight values more: the kernel loads eight values where
    /// it uses six. `read` holds what lies on the source meanwhile.
    fn read(
        &self,
        source: &dyn Source,
        plane: usize,
        read: &mut Vec<f32>,
        data: &mut Vec<f32>,
    ) -> io::Result<()> {
        let (width, height) = source.size();
        let (x, y) = (on_source(self.x, width), on_source(self.y, height));
        let block = Block {
            x0: x[0],
            y0: y[0],
            width: x[1] - x[0] + 1,
            height: y[1] - y[0] + 1,
        };
        read.resize(block.width * block.height, 0.0);
        source.read_block(plane, block, read)?;
        data.clear();
        let columns: Vec<usize> = (self.x[0]..=self.x[1])
            .map(|x| mirrored(x, width) - block.x0)
            .collect();
        for y in self.y[0]..=self.y[1] {
            let row = &read[(mirrored(y, height) - block.y0) * block.width..][..block.width];
            data.extend(columns.iter().map(|x| row[*x]));
        }
        data.resize(data.len() + 8, 0.0);
        Ok(())
    }
}

/// The pixels, of `length` there are, that a window needs with its mirrored ones.
fn on_source([first, last]: [i32; 2], length: usize) -> [usize; 2] {
    // Short sources are mirrored more than once, so all of them is read.
    if length < 2 * REACH as usize {
        return [0, length - 1];
    }
    // A window is at least six wide and reaches over a border by three: what it sees mirrored there
    // it also sees directly.
    [first.max(0) as usize, last.min(length as i32 - 1) as usize]
}

/// Pixel `at` of a row of `length` pixels continued on both sides by its mirror image.
fn mirrored(at: i32, length: usize) -> usize {
    let length = length as i32;
    let at = at.rem_euclid(2 * length);
    (if at < length { at } else { 2 * length - 1 - at }) as usize
}
