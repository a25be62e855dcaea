//! A factor of light that depends on the distance from a point only, as a lens's fall-off.

use nightloom_raster::Rgb;
use rayon::prelude::*;

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

    /// Divides a picture by it: what is left is light that does not fall off.
    ///
    /// ```
    /// use nightloom_raster::Rgb;
    /// use nightloom_stack::Radial;
    ///
    /// let by = Radial { centre_px: [0.0, 0.0], values: vec![1.0, 0.5], reach2_px: 4.0 };
    /// let mut picture = Rgb::filled(3, 1, [0.5; 3]);
    /// by.divide(&mut picture);
    /// assert_eq!(picture.planes()[1].row(0), [0.5, 0.5 / 0.875, 1.0]);
    /// ```
    pub fn divide(&self, picture: &mut Rgb) {
        let [cx, cy] = self.centre_px;
        let width = picture.width().max(1);
        for plane in picture.planes_mut() {
            plane
                .data_mut()
                .par_chunks_mut(width)
                .enumerate()
                .for_each(|(y, row)| {
                    let dy2 = (y as f64 - cy).powi(2);
                    for (x, value) in row.iter_mut().enumerate() {
                        *value /= self.at_square((x as f64 - cx).powi(2) + dy2);
                    }
                });
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
