//! A slow surface over the canvas, kept in cells.

use nightloom_raster::Plane;

use crate::places::{Places, between};

/// A slowly varying colour over the canvas: one value per cell and channel, bilinear between the cells'
/// centres, constant beyond the outermost ones.
#[derive(Clone, Debug, PartialEq)]
pub struct Surface {
    cell: usize,
    planes: [Plane; 3],
}

impl Surface {
    /// For a canvas of `width` × `height` pixels, from the colour at each cell's centre, given in
    /// canvas pixels. A `cell` of 0 counts as 1.
    pub fn from_fn(width: usize, height: usize, cell: usize, colour: impl Fn([f64; 2]) -> [f32; 3]) -> Self {
        let cell = cell.max(1);
        let (columns, rows) = (width.div_ceil(cell).max(1), height.div_ceil(cell).max(1));
        let mut planes = std::array::from_fn(|_| Plane::filled(columns, rows, 0.0));
        let centre = |i: usize| (i as f64 + 0.5) * cell as f64 - 0.5;
        for j in 0..rows {
            for i in 0..columns {
                let values = colour([centre(i), centre(j)]);
                for (plane, v) in planes.iter_mut().zip(values) {
                    plane.row_mut(j)[i] = v;
                }
            }
        }
        Self { cell, planes }
    }

    /// Where the canvas columns x0, x0 + 1, … lie in this surface, for [`Surface::add`].
    pub(crate) fn places(&self, x0: usize, pixels: usize) -> Places {
        Places::new(x0, pixels, self.cell, self.planes[0].width())
    }

    /// Adds one channel to the values of a canvas row at these columns.
    pub(crate) fn add(&self, channel: usize, y: usize, columns: &Places, values: &mut [f32]) {
        let plane = &self.planes[channel];
        let (j, j2, down) = between(y, self.cell, plane.height());
        let rows = [plane.row(j), plane.row(j2)].map(|row| move |i: usize| row[i]);
        columns.each(rows, down, values, |v, more| *v += more);
    }

    /// One channel at a canvas pixel.
    pub(crate) fn at(&self, channel: usize, [x, y]: [f64; 2]) -> f32 {
        let mut value = 0.0;
        let [x, y] = [x, y].map(|v| v.max(0.0) as usize);
        self.add(channel, y, &self.places(x, 1), std::slice::from_mut(&mut value));
        value
    }
}
