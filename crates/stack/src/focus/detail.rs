//! How much detail a frame shows in each of its blocks, fine and coarse, with the noise taken off.

use nightloom_raster::Plane;
use rayon::prelude::*;

/// A block's side: a share of the longer side, within bounds, pixels.
const BLOCKS_ACROSS: usize = 32;
const SIDE_PX: (usize, usize) = (24, 128);
/// Second differences are taken at this step of a picture smoothed by this σ, pixels: where defocus shows
/// first, and where it hardly does but light and contrast do.
const FINE: Scale = Scale { step: 1, sigma: 0.8 };
const COARSE: Scale = Scale { step: 6, sigma: 4.0 };
/// Directions of the second differences: across, down, and both diagonals.
const DIRECTIONS: [(isize, isize); 4] = [(1, 0), (0, 1), (1, 1), (1, -1)];
/// Noise of real frames is not quite as told: demosaicing takes from the fine and leaves to the coarse.
/// The quietest twentieth of the blocks tells, within these bounds.
const QUIETEST: f64 = 0.05;
const NOISE_FACTOR: (f64, f64) = (0.02, 1.5);
/// What the noise that is taken off may err by.
const NOISE_ERROR: f64 = 0.1;
/// Blocks with more sky than this are none of the land.
const LAND_SKY: f64 = 0.02;

/// Variance of a pixel's noise as a line over its value.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct NoiseLine {
    /// Variance at value 0: read noise and dark current.
    pub floor: f32,
    /// Variance for each unit of value: photon noise.
    pub slope: f32,
}

impl NoiseLine {
    /// Variance at a value.
    pub fn at(&self, value: f32) -> f32 {
        self.floor + self.slope * value.max(0.0)
    }
}

struct Scale {
    step: usize,
    sigma: f32,
}

/// An energy with the noise taken off, and its standard error.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Energy {
    pub(super) value: f64,
    pub(super) error: f64,
}

/// What one block shows.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct BlockDetail {
    /// Mean squares of the second differences in each direction.
    pub(super) fine: [Energy; 4],
    /// The same of the smoothed picture, over the directions.
    pub(super) coarse: Energy,
    /// Share of the block that is sky.
    pub(super) sky: f64,
}

impl BlockDetail {
    pub(super) fn is_land(&self) -> bool {
        self.sky <= LAND_SKY
    }
}

/// The detail of one frame, block by block: a modified Laplacian (Nayar & Nakagawa 1994, equation 8) with
/// its directions kept apart and squared, so that the noise can be taken off. A few kilobytes, so that
/// frames can be looked at one by one.
#[derive(Clone, Debug, PartialEq)]
pub struct FocusDetail {
    pub(super) blocks: Vec<BlockDetail>,
}

impl FocusDetail {
    /// Of a frame's luminance (linear, as [`nightloom_raster::Rgb::brightness`]) with its noise; `sky` is 1 where
    /// sky is, of the same size. While it works it holds four planes of the frame's size.
    pub fn of(luminance: &Plane, noise: NoiseLine, sky: Option<&Plane>) -> Self {
        let side = (luminance.width().max(luminance.height()) / BLOCKS_ACROSS).clamp(SIDE_PX.0, SIDE_PX.1);
        let margin = COARSE.step;
        let count = |n: usize| n.saturating_sub(2 * margin) / side;
        let (columns, rows) = (count(luminance.width()), count(luminance.height()));
        let corners: Vec<[usize; 2]> = (0..columns * rows)
            .map(|k| [margin + k % columns * side, margin + k / columns * side])
            .collect();
        let area = Area { side, corners };
        let levels = area.means(luminance);
        let shares = sky.filter(|s| (s.width(), s.height()) == (luminance.width(), luminance.height()));
        let shares = shares.map_or_else(|| vec![0.0; levels.len()], |s| area.means(s));
        let variance: Vec<f64> = levels.iter().map(|v| f64::from(noise.at(*v as f32))).collect();
        let fine = FINE.energies(luminance, &area, &variance);
        let coarse = COARSE.energies(luminance, &area, &variance);
        let blocks = (0..levels.len()).map(|k| BlockDetail {
            fine: fine[k],
            coarse: together(&coarse[k]),
            sky: shares[k],
        });
        Self {
            blocks: blocks.collect(),
        }
    }
}

/// The mean over the directions; their noise is much the same, so the error does not shrink.
pub(super) fn together(directions: &[Energy; 4]) -> Energy {
    Energy {
        value: 0.25 * directions.iter().map(|e| e.value).sum::<f64>(),
        error: 0.25 * directions.iter().map(|e| e.error).sum::<f64>(),
    }
}

struct Area {
    side: usize,
    corners: Vec<[usize; 2]>,
}

impl Area {
    fn means(&self, plane: &Plane) -> Vec<f64> {
        let mean = |[x0, y0]: &[usize; 2]| {
            let rows = (*y0..y0 + self.side).flat_map(|y| &plane.row(y)[*x0..x0 + self.side]);
            rows.map(|v| f64::from(*v)).sum::<f64>() / (self.side * self.side) as f64
        };
        self.corners.iter().map(mean).collect()
    }
}

impl Scale {
    /// Of each block the energies in the four directions.
    fn energies(&self, plane: &Plane, area: &Area, variance: &[f64]) -> Vec<[Energy; 4]> {
        let smooth = crate::blur::blurred(plane, self.sigma);
        let raw: Vec<[f64; 4]> = area
            .corners
            .par_iter()
            .map(|corner| DIRECTIONS.map(|d| self.square(&smooth, *corner, area.side, d)))
            .collect();
        let white = DIRECTIONS.map(|d| self.white(d));
        let factor: [f64; 4] = std::array::from_fn(|d| {
            let mut over: Vec<f64> = raw
                .iter()
                .zip(variance)
                .map(|(e, v)| e[d] / (v * white[d]).max(f64::MIN_POSITIVE))
                .collect();
            over.sort_by(f64::total_cmp);
            let quiet = over.get((over.len() as f64 * QUIETEST) as usize).copied();
            quiet.unwrap_or(1.0).clamp(NOISE_FACTOR.0, NOISE_FACTOR.1)
        });
        let values = (area.side * area.side) as f64 / (4.0 * std::f64::consts::PI * self.spread());
        let energy = |(raw, variance): (&[f64; 4], &f64)| {
            std::array::from_fn(|d| {
                let noise = variance * white[d] * factor[d];
                let value = raw[d] - noise;
                let chance = (2.0 * noise * noise + 4.0 * noise * value.max(0.0)) / values;
                Energy {
                    value,
                    error: (chance + (NOISE_ERROR * noise).powi(2)).sqrt(),
                }
            })
        };
        raw.iter().zip(variance).map(energy).collect()
    }

    /// Square of the width of the noise's correlation, pixels².
    fn spread(&self) -> f64 {
        f64::from(self.sigma).powi(2)
    }

    /// Mean square of the second differences in a block.
    fn square(&self, plane: &Plane, [x0, y0]: [usize; 2], side: usize, (dx, dy): (isize, isize)) -> f64 {
        let step = self.step as isize;
        let mut sum = 0.0;
        for y in y0..y0 + side {
            let row = |sign: isize| plane.row((y as isize + sign * dy * step) as usize);
            let (before, here, after) = (row(-1), row(0), row(1));
            for x in x0..x0 + side {
                let shift = dx * step;
                let (p, q) = (
                    before[(x as isize - shift) as usize],
                    after[(x as isize + shift) as usize],
                );
                sum += f64::from(2.0 * here[x] - p - q).powi(2);
            }
        }
        sum / (side * side) as f64
    }

    /// What white noise of variance 1 gives: with the Gaussian's own correlation c(r) = e^(−r² / 4 σ²),
    /// the sum over the coefficients 2, −1, −1 of the second difference.
    fn white(&self, (dx, dy): (isize, isize)) -> f64 {
        let sigma2 = f64::from(self.sigma).powi(2);
        let kernel = crate::blur::kernel(self.sigma);
        let own: f64 = kernel.iter().map(|k| f64::from(*k).powi(2)).sum::<f64>().powi(2);
        let r2 = ((dx * dx + dy * dy) as f64) * (self.step as f64).powi(2);
        let c = |n: f64| (-n * n * r2 / (4.0 * sigma2)).exp();
        own * (6.0 - 8.0 * c(1.0) + 2.0 * c(2.0))
    }
}
