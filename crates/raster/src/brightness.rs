//! One plane of brightness out of whatever a frame holds, for measuring in.

use rayon::prelude::*;

use crate::{Directions, Mosaic, Pixels, Plane, Rgb, demosaic_with};

/// Pixels worked on together.
const TOGETHER: usize = 1 << 16;

impl Rgb {
    /// (R + 2G + B)/4 of every pixel; saturates where all three do.
    pub fn brightness(&self) -> Plane {
        let [r, g, b] = self.planes();
        let mut out = Plane::filled(self.width(), self.height(), 0.0);
        let [red, green, blue] = [r, g, b].map(|plane| plane.data().par_chunks(TOGETHER));
        let out_of = out.data_mut().par_chunks_mut(TOGETHER);
        out_of
            .zip(red)
            .zip(green)
            .zip(blue)
            .for_each(|(((out, r), g), b)| {
                for (((o, r), g), b) in out.iter_mut().zip(r).zip(g).zip(b) {
                    *o = 0.25 * (r + b) + 0.5 * g;
                }
            });
        out
    }
}

impl Pixels {
    /// A full-size plane of brightness. A Bayer mosaic is averaged over its 2 × 2 cell, of which each pixel is the first:
    /// see [`Self::brightness_shift_px`]. One of 6 × 6 is interpolated in equal shares.
    pub fn brightness(&self) -> Plane {
        match self {
            Self::Mosaic(mosaic) => mosaic.brightness(),
            Self::Rgb(picture) => picture.brightness(),
            Self::Grey(plane) => plane.clone(),
        }
    }

    /// What is to be added to a place (x or y) in [`Self::brightness`] for the place in the frame.
    pub fn brightness_shift_px(&self) -> f64 {
        match self {
            Self::Mosaic(mosaic) if mosaic.cfa.side() == 2 => 0.5,
            _ => 0.0,
        }
    }
}

impl Mosaic {
    fn brightness(&self) -> Plane {
        match self.cfa.side() {
            1 => self.plane.clone(),
            2 => cell_means(&self.plane),
            _ => self.interpolated().brightness(),
        }
    }

    /// Every channel at every pixel in equal shares, the channels balanced meanwhile by their medians.
    pub fn interpolated(&self) -> Rgb {
        let mut samples: [Vec<f32>; 3] = Default::default();
        // An odd step that meets every place of the cell.
        for y in (0..self.plane.height()).step_by(7) {
            for (x, v) in self.plane.row(y).iter().enumerate().step_by(7) {
                samples[self.cfa.colour(x, y)].push(*v);
            }
        }
        let level = samples.map(|mut v| nightloom_fit::median(&mut v).unwrap_or(0.0));
        demosaic_with(self, level.map(|l| level[1] / l), Directions::Equal)
    }
}

fn cell_means(plane: &Plane) -> Plane {
    let (width, height) = (plane.width(), plane.height());
    Plane::from_fn(width, height, |x, y| {
        let (x2, y2) = ((x + 1).min(width - 1), (y + 1).min(height - 1));
        0.25 * (plane.at(x, y) + plane.at(x2, y) + plane.at(x, y2) + plane.at(x2, y2))
    })
}
