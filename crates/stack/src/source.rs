//! Where pixels are read from: memory or a work file, always in pieces.

use std::io;

use nightloom_raster::{Plane, Rgb, WorkFile};

/// A rectangle of a source's pixels.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Block {
    /// First column.
    pub x0: usize,
    /// First row.
    pub y0: usize,
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
}

/// Planes of pixels that can be read piece by piece from several threads.
pub trait Source: Sync {
    /// Width and height in pixels.
    fn size(&self) -> (usize, usize);
    /// Number of planes: 1 for a mosaic or grey, 3 for colour.
    fn planes(&self) -> usize;
    /// Fills `out` with `rows` whole rows of one plane from row `y0` on.
    ///
    /// # Errors
    /// When the file behind it cannot be read, or the rows or the length of `out` do not fit.
    fn read_rows(&self, plane: usize, y0: usize, rows: usize, out: &mut [f32]) -> io::Result<()>;
    /// Fills `out` with one rectangle of one plane, row after row. Sources that can seek inside a
    /// row should do better than this, which reads whole rows.
    ///
    /// # Errors
    /// As [`read_rows`](Self::read_rows).
    fn read_block(&self, plane: usize, block: Block, out: &mut [f32]) -> io::Result<()> {
        let (width, _) = self.size();
        let mut rows = vec![0.0; width];
        for (y, line) in (block.y0..).zip(out.chunks_exact_mut(block.width.max(1))) {
            self.read_rows(plane, y, 1, &mut rows)?;
            line.copy_from_slice(columns(&rows, block)?);
        }
        Ok(())
    }
}

fn columns(row: &[f32], block: Block) -> io::Result<&[f32]> {
    row.get(block.x0..block.x0 + block.width).ok_or_else(outside)
}

fn outside() -> io::Error {
    io::Error::new(
        io::ErrorKind::InvalidInput,
        "the rows or columns asked for lie outside the picture",
    )
}

fn rows_of(plane: &Plane, y0: usize, rows: usize, out: &mut [f32]) -> io::Result<()> {
    let (start, end) = (y0 * plane.width(), (y0 + rows) * plane.width());
    let from = plane.data().get(start..end).ok_or_else(outside)?;
    if out.len() != from.len() {
        return Err(io::Error::new(
            io::ErrorKind::InvalidInput,
            "the buffer does not hold the rows asked for",
        ));
    }
    out.copy_from_slice(from);
    Ok(())
}

fn block_of(plane: &Plane, block: Block, out: &mut [f32]) -> io::Result<()> {
    if block.y0 + block.height > plane.height() || out.len() != block.width * block.height {
        return Err(outside());
    }
    for (y, line) in (block.y0..).zip(out.chunks_exact_mut(block.width.max(1))) {
        line.copy_from_slice(columns(plane.row(y), block)?);
    }
    Ok(())
}

impl Source for Plane {
    fn size(&self) -> (usize, usize) {
        (self.width(), self.height())
    }
    fn planes(&self) -> usize {
        1
    }
    fn read_rows(&self, plane: usize, y0: usize, rows: usize, out: &mut [f32]) -> io::Result<()> {
        if plane > 0 {
            return Err(outside());
        }
        rows_of(self, y0, rows, out)
    }
    fn read_block(&self, plane: usize, block: Block, out: &mut [f32]) -> io::Result<()> {
        if plane > 0 {
            return Err(outside());
        }
        block_of(self, block, out)
    }
}

impl Source for Rgb {
    fn size(&self) -> (usize, usize) {
        (self.width(), self.height())
    }
    fn planes(&self) -> usize {
        3
    }
    fn read_rows(&self, plane: usize, y0: usize, rows: usize, out: &mut [f32]) -> io::Result<()> {
        rows_of(self.planes().get(plane).ok_or_else(outside)?, y0, rows, out)
    }
    fn read_block(&self, plane: usize, block: Block, out: &mut [f32]) -> io::Result<()> {
        block_of(self.planes().get(plane).ok_or_else(outside)?, block, out)
    }
}

impl Source for WorkFile {
    fn size(&self) -> (usize, usize) {
        (self.width(), self.height())
    }
    fn planes(&self) -> usize {
        WorkFile::planes(self)
    }
    fn read_rows(&self, plane: usize, y0: usize, rows: usize, out: &mut [f32]) -> io::Result<()> {
        WorkFile::read_rows(self, plane, y0, rows, out).map_err(io::Error::other)
    }
    fn read_block(&self, plane: usize, block: Block, out: &mut [f32]) -> io::Result<()> {
        WorkFile::read_block(self, plane, [block.x0, block.y0], block.width, block.height, out)
            .map_err(io::Error::other)
    }
}
