//! A soft mask at a fraction of the canvas's resolution.

use crate::places::{Places, between};

/// A soft mask on the canvas, one value per cell of `cell` × `cell` pixels, kept in 8 bits so
/// that one per frame costs little. 1 is fully valid (sky), 0 not at all (land).
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mask {
    cell: usize,
    columns: usize,
    rows: usize,
    values: Vec<u8>,
}

impl Mask {
    /// A mask for a canvas of `width` × `height` pixels, from the value (0 to 1, clamped) at each
    /// cell's centre, given in canvas pixels. A `cell` of 0 counts as 1.
    pub fn from_fn(width: usize, height: usize, cell: usize, mut value: impl FnMut(f64, f64) -> f32) -> Self {
        let cell = cell.max(1);
        let (columns, rows) = (width.div_ceil(cell).max(1), height.div_ceil(cell).max(1));
        let centre = |i: usize| (i as f64 + 0.5) * cell as f64 - 0.5;
        let mut values = Vec::with_capacity(columns * rows);
        for j in 0..rows {
            values.extend((0..columns).map(|i| to_byte(value(centre(i), centre(j)))));
        }
        Self {
            cell,
            columns,
            rows,
            values,
        }
    }

    /// Pixels per cell along one side.
    pub fn cell(&self) -> usize {
        self.cell
    }

    /// The value at canvas pixel (x, y), 0 to 1, bilinear between the cells' centres and constant
    /// beyond the outermost ones.
    #[inline]
    pub fn at(&self, x: usize, y: usize) -> f32 {
        let (j, j2, ty) = self.between(y, self.rows);
        let (i, i2, tx) = self.between(x, self.columns);
        let v = |i: usize, j: usize| f32::from(self.values[j * self.columns + i]);
        let top = v(i, j) + (v(i2, j) - v(i, j)) * tx;
        let bottom = v(i, j2) + (v(i2, j2) - v(i, j2)) * tx;
        (top + (bottom - top) * ty) / 255.0
    }

    /// Where the canvas columns x0, x0 + 1, … lie in this mask, for [`Mask::row`].
    pub(crate) fn places(&self, x0: usize, pixels: usize) -> Places {
        Places::new(x0, pixels, self.cell, self.columns)
    }

    /// The values of a canvas row at these columns.
    pub(crate) fn row(&self, y: usize, columns: &Places, out: &mut [f32]) {
        let (j, j2, down) = between(y, self.cell, self.rows);
        let line = |j: usize| &self.values[j * self.columns..(j + 1) * self.columns];
        let rows = [line(j), line(j2)].map(|line| move |i: usize| f32::from(line[i]));
        columns.each(rows, down, out, |o, v| *o = v / 255.0);
    }

    fn between(&self, pixel: usize, count: usize) -> (usize, usize, f32) {
        between(pixel, self.cell, count)
    }
}

fn to_byte(value: f32) -> u8 {
    (value.clamp(0.0, 1.0) * 255.0 + 0.5) as u8
}
