//! The sky without its stars, as the fixed camera saw it: smooth, known behind the trees too.

use nightloom_raster::{Plane, Rgb};
use rayon::prelude::*;

use crate::{Coarse, SeamError, Work, resample};

/// Star-free sky of the land picture on a grid of cells, continued smoothly over the land.
#[derive(Clone, Debug)]
pub struct SkyModel {
    cells: [Plane; 3],
    factor: usize,
    noise: [f32; 3],
}

impl SkyModel {
    /// Fits the sky of `land` where `coarse` says sky.
    ///
    /// # Errors
    /// [`SeamError::Cancelled`].
    pub fn fit(land: &Rgb, coarse: &Coarse, work: &Work) -> Result<Self, SeamError> {
        work.step(0.0)?;
        const FACTOR: usize = 16;
        let (width, height) = (land.width(), land.height());
        let cells: Vec<Plane> = land
            .planes()
            .par_iter()
            .map(|plane| {
                let mut masked = Plane::filled(width, height, f32::NAN);
                for y in 0..height {
                    for (x, m) in masked.row_mut(y).iter_mut().enumerate() {
                        if coarse.sky_at(x, y) > 0.5 {
                            *m = plane.at(x, y);
                        }
                    }
                }
                let mut cells = resample::area_down(&masked, FACTOR);
                resample::fill_nan(&mut cells);
                cells
            })
            .collect();
        let cells: [Plane; 3] = std::array::from_fn(|c| cells[c].clone());
        Ok(Self {
            cells,
            factor: FACTOR,
            noise: [0.0; 3],
        })
    }

    /// Star-free sky colour at pixel (x, y).
    pub fn at(&self, x: usize, y: usize) -> [f32; 3] {
        std::array::from_fn(|c| resample::sample_cells(&self.cells[c], self.factor, x as f32, y as f32))
    }

    /// Noise of one pixel of the sky, standard deviation per channel.
    pub fn noise(&self) -> [f32; 3] {
        self.noise
    }
}
