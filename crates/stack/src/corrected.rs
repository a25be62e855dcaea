//! A source whose light falls off radially, read as if it did not.

use std::io;

use crate::source::{Block, Source};

/// A factor that depends on the distance from a point only, as a lens's fall-off.
///
/// # Units
/// Pixels: x right, y down, centre of the first pixel (0, 0). Factors of light, more than 0.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Radial {
    /// The point, usually where the lens's axis meets the sensor.
    pub centre_px: [f64; 2],
    /// The factor at squared distances evenly spaced from 0 to `reach2_px`: straight lines between, beyond as at
    /// the last. One at least.
    pub values: Vec<f32>,
    /// Squared distance of the last, square pixels; more than 0.
    pub reach2_px: f64,
}

impl Radial {
    /// The factor at a pixel.
    pub fn at(&self, x: f64, y: f64) -> f32 {
        let [cx, cy] = self.centre_px;
        self.at_square((x - cx).powi(2) + (y - cy).powi(2))
    }

    /// Divides the pixels of row `y` from column `x0` on.
    pub fn divide_row(&self, x0: usize, y: usize, row: &mut [f32]) {
        let [cx, cy] = self.centre_px;
        let dy2 = (y as f64 - cy).powi(2);
        for (i, value) in row.iter_mut().enumerate() {
            let dx = (x0 + i) as f64 - cx;
            *value /= self.at_square(dx * dx + dy2);
        }
    }

    fn at_square(&self, d2: f64) -> f32 {
        let last = self.values.len() - 1;
        let place = (d2 / self.reach2_px * last as f64).min(last as f64);
        let i = (place as usize).min(last.saturating_sub(1));
        let (from, to) = (self.values[i], self.values[(i + 1).min(last)]);
        from + (to - from) * (place - i as f64) as f32
    }
}

/// A source's pixels divided by a radial factor: what reads it sees light that does not fall off.
///
/// Pixels at saturation come out above it where the factor is below 1; what is clipped has to be told from
/// the source itself.
///
/// # Example
/// ```
/// use nightloom_raster::Plane;
/// use nightloom_stack::{Corrected, Radial, Source};
///
/// let by = Radial { centre_px: [0.0, 0.0], values: vec![1.0, 0.5], reach2_px: 4.0 };
/// let plane = Plane::filled(3, 1, 0.5);
/// let mut row = [0.0; 3];
/// Corrected { source: &plane, by: &by }.read_rows(0, 0, 1, &mut row)?;
/// assert_eq!(row, [0.5, 0.5 / 0.875, 1.0]);
/// # Ok::<(), std::io::Error>(())
/// ```
#[derive(Clone, Copy)]
pub struct Corrected<'a> {
    /// Where the pixels are.
    pub source: &'a dyn Source,
    /// What they are divided by.
    pub by: &'a Radial,
}

impl Source for Corrected<'_> {
    fn size(&self) -> (usize, usize) {
        self.source.size()
    }
    fn planes(&self) -> usize {
        self.source.planes()
    }
    fn read_rows(&self, plane: usize, y0: usize, rows: usize, out: &mut [f32]) -> io::Result<()> {
        self.source.read_rows(plane, y0, rows, out)?;
        let (width, _) = self.size();
        for (y, row) in (y0..).zip(out.chunks_exact_mut(width.max(1))) {
            self.by.divide_row(0, y, row);
        }
        Ok(())
    }
    fn read_block(&self, plane: usize, block: Block, out: &mut [f32]) -> io::Result<()> {
        self.source.read_block(plane, block, out)?;
        for (y, row) in (block.y0..).zip(out.chunks_exact_mut(block.width.max(1))) {
            self.by.divide_row(block.x0, y, row);
        }
        Ok(())
    }
}
