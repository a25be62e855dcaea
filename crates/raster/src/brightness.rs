//! One plane of brightness out of whatever a frame holds, for measuring in.

use crate::{Mosaic, Pixels, Plane, Rgb};

impl Rgb {
    /// (R + 2G + B)/4 of every pixel; saturates where all three do.
    pub fn brightness(&self) -> Plane {
        let [r, g, b] = self.planes();
        let data = r
            .data()
            .iter()
            .zip(g.data())
            .zip(b.data())
            .map(|((r, g), b)| 0.25 * (r + b) + 0.5 * g)
            .collect();
        Plane::from_vec(self.width(), self.height(), data)
    }
}

impl Pixels {
    /// A full-size plane of brightness; a mosaic is averaged over its 2 × 2 cell.
    pub fn brightness(&self) -> Plane {
        match self {
            Self::Mosaic(mosaic) => cell_means(mosaic),
            Self::Rgb(picture) => picture.brightness(),
            Self::Grey(plane) => plane.clone(),
        }
    }
}

fn cell_means(mosaic: &Mosaic) -> Plane {
    let plane = &mosaic.plane;
    let (width, height) = (plane.width(), plane.height());
    Plane::from_fn(width, height, |x, y| {
        let (x2, y2) = ((x + 1).min(width - 1), (y + 1).min(height - 1));
        0.25 * (plane.at(x, y) + plane.at(x2, y) + plane.at(x, y2) + plane.at(x2, y2))
    })
}
