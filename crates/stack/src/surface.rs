//! A slow surface over the canvas, kept in cells.

use nightloom_raster::Plane;

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

    /// Adds one channel to the canvas pixels (x0, y), (x0 + 1, y), …
    pub(crate) fn add(&self, channel: usize, x0: usize, y: usize, values: &mut [f32]) {
        let plane = &self.planes[channel];
        let (j, j2, ty) = self.between(y, plane.height());
        let (top, bottom) = (plane.row(j), plane.row(j2));
        for (x, v) in (x0..).zip(values) {
            let (i, i2, tx) = self.between(x, plane.width());
            let upper = top[i] + (top[i2] - top[i]) * tx;
            let lower = bottom[i] + (bottom[i2] - bottom[i]) * tx;
            *v += upper + (lower - upper) * ty;
        }
    }

    /// One channel at a canvas pixel.
    pub(crate) fn at(&self, channel: usize, [x, y]: [f64; 2]) -> f32 {
        let mut value = 0.0;
        let [x, y] = [x, y].map(|v| v.max(0.0) as usize);
        self.add(channel, x, y, std::slice::from_mut(&mut value));
        value
    }

    fn between(&self, pixel: usize, count: usize) -> (usize, usize, f32) {
        let at = ((pixel as f32 + 0.5) / self.cell as f32 - 0.5).clamp(0.0, (count - 1) as f32);
        let low = at as usize;
        (low, (low + 1).min(count - 1), at - low as f32)
    }
}
