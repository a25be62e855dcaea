//! A lens with the edges of its sensor.

use nightloom_sky::Angle;

use crate::field::{Range, check};
use crate::{FieldError, Lens, Projection};

/// Lens, sensor size and pixel pitch: what decides where things fall, and how large.
///
/// # Units
/// Pixels as in [`Lens`]: the sensor's edges are at −0.5 and size − 0.5. Sizes need not be whole
/// pixels, so that a nominal 36 × 24 mm is just that.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
pub struct Camera {
    /// The lens, on this sensor.
    pub lens: Lens,
    /// Width, pixels.
    pub width_px: f64,
    /// Height, pixels.
    pub height_px: f64,
    /// Distance of neighbouring pixels, micrometres.
    pub pitch_um: f64,
}

/// Angles across the picture through its middle.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
pub struct FieldOfView {
    /// From the left to the right edge; `None` where the image circle ends before.
    pub width: Option<Angle>,
    /// From the upper to the lower edge.
    pub height: Option<Angle>,
    /// From corner to corner.
    pub diagonal: Option<Angle>,
}

impl Camera {
    /// An undistorted lens centred on a sensor of `sensor_mm` (width, height).
    ///
    /// # Errors
    /// Where a number is not above zero.
    pub fn new(
        projection: Projection,
        focal_mm: f64,
        pitch_um: f64,
        sensor_mm: [f64; 2],
    ) -> Result<Self, FieldError> {
        let focal_mm = check("the focal length in mm", focal_mm, Range::Positive, "24")?;
        let pitch_um = check("the pixel pitch in µm", pitch_um, Range::Positive, "5.95")?;
        let width_mm = check("the sensor's width in mm", sensor_mm[0], Range::Positive, "36")?;
        let height_mm = check("the sensor's height in mm", sensor_mm[1], Range::Positive, "24")?;
        let per_mm = 1000.0 / pitch_um;
        let (width_px, height_px) = (width_mm * per_mm, height_mm * per_mm);
        let lens = Lens {
            projection,
            focal_px: focal_mm * per_mm,
            centre_px: [(width_px - 1.0) / 2.0, (height_px - 1.0) / 2.0],
            radial: [0.0; 3],
        };
        Ok(Self {
            lens,
            width_px,
            height_px,
            pitch_um,
        })
    }

    /// Focal length, millimetres.
    pub fn focal_mm(&self) -> f64 {
        self.lens.focal_px * self.pitch_um / 1000.0
    }

    /// The part of the picture from pixel (`left`, `top`), `width_px` by `height_px` large.
    pub fn cropped(&self, left: f64, top: f64, width_px: f64, height_px: f64) -> Self {
        Self {
            lens: self.lens.cropped(left, top),
            width_px,
            height_px,
            pitch_um: self.pitch_um,
        }
    }

    /// The point at these shares of width and height: (0, 0) is the upper left corner of the
    /// sensor, (1, 1) the lower right.
    pub fn at(&self, across: f64, down: f64) -> [f64; 2] {
        [self.width_px * across - 0.5, self.height_px * down - 0.5]
    }

    /// Upper left, upper right, lower left, lower right.
    pub fn corners(&self) -> [[f64; 2]; 4] {
        [[0.0, 0.0], [1.0, 0.0], [0.0, 1.0], [1.0, 1.0]].map(|[x, y]| self.at(x, y))
    }

    /// Angles across the picture. Each is the sum of the angles from the optical axis on both sides,
    /// so that a fisheye may have more than 180°.
    pub fn field_of_view(&self) -> FieldOfView {
        let off = |x, y| self.lens.angle_off_axis(self.at(x, y));
        let sum = |a: Option<Angle>, b: Option<Angle>| Some(a? + b?);
        FieldOfView {
            width: sum(off(0.0, 0.5), off(1.0, 0.5)),
            height: sum(off(0.5, 0.0), off(0.5, 1.0)),
            diagonal: sum(off(0.0, 0.0), off(1.0, 1.0)),
        }
    }
}
