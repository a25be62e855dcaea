//! What a frame sees of the painted land.

use nalgebra::Matrix3;
use nightloom_optics::Lens;
use nightloom_raster::Plane;
use rayon::prelude::*;

use super::{BLOCK, FULL, Painting};
use crate::splat::Filter;

/// The land as a frame sees it: how much of each pixel it covers, and its light (premultiplied, units of
/// 22 mag/arcsec², in the colour that the filter has there).
pub(crate) struct Cover {
    pub(crate) alpha: Plane,
    pub(crate) light: Plane,
}

/// Where within a pixel, and with what weight, the painting is looked at.
#[derive(Clone, Debug)]
pub(crate) struct Kernel(Vec<[f32; 3]>);

impl Kernel {
    /// The lens's image of a point, over the pixel's own square: a Gaussian of this σ (pixels).
    pub(crate) fn seen(sigma: f64) -> Self {
        let wide = (sigma * sigma + 1.0 / 12.0).sqrt();
        // A Gaussian summed at steps of 0.8 σ is even to 1e-13; the painting is finer than that.
        let step = 0.8 * wide.min(1.0);
        let mut points = Vec::new();
        for y in -3..=3 {
            for x in -3..=3 {
                let (dx, dy) = (f64::from(x) * step, f64::from(y) * step);
                let r2 = (dx * dx + dy * dy) / (wide * wide);
                if r2 < 7.0 {
                    points.push([dx as f32, dy as f32, (-0.5 * r2).exp() as f32]);
                }
            }
        }
        Self::normal(points)
    }

    /// The pixel's square alone: bare area.
    pub(crate) fn square() -> Self {
        let at = |i: i32| (i as f32 + 0.5) / 4.0 - 0.5;
        Self::normal((0..16).map(|i| [at(i % 4), at(i / 4), 1.0]).collect())
    }

    fn normal(mut points: Vec<[f32; 3]>) -> Self {
        let sum: f32 = points.iter().map(|p| p[2]).sum();
        for p in &mut points {
            p[2] /= sum;
        }
        Self(points)
    }
}

const TILE: usize = 16;

/// Looks at the painting with the camera standing as each of `cameras` (ground to camera) for an equal
/// time. One camera is looked through with the whole kernel; several with one point of it each.
pub(crate) fn look(
    painting: &Painting,
    lens: &Lens,
    size: (usize, usize),
    cameras: &[Matrix3<f64>],
    kernel: &Kernel,
    filter: Filter,
) -> Cover {
    let (width, height) = size;
    let mut alpha = Plane::filled(width, height, 0.0);
    let mut light = Plane::filled(width, height, 0.0);
    let looker = Looker {
        painting,
        lens,
        cameras,
        kernel,
        filter,
        width,
    };
    let chunk = TILE * width;
    alpha
        .data_mut()
        .par_chunks_mut(chunk)
        .zip(light.data_mut().par_chunks_mut(chunk))
        .enumerate()
        .for_each(|(row, (alpha, light))| {
            for left in (0..width).step_by(TILE) {
                looker.tile(left, row * TILE, alpha, light);
            }
        });
    Cover { alpha, light }
}

struct Looker<'a> {
    painting: &'a Painting,
    lens: &'a Lens,
    cameras: &'a [Matrix3<f64>],
    kernel: &'a Kernel,
    filter: Filter,
    width: usize,
}

/// Texel coordinates at a tile's corners: upper left, and changes across, down and both.
type Patch = [[f32; 2]; 4];

impl Looker<'_> {
    fn tile(&self, left: usize, top: usize, alpha: &mut [f32], light: &mut [f32]) {
        let patches: Vec<Patch> = self.cameras.iter().map(|c| self.patch(c, left, top)).collect();
        if !patches.iter().any(|p| self.may_hold(p)) {
            return;
        }
        let still = self.cameras.len() == 1;
        let rows = alpha.len() / self.width;
        for y in 0..rows {
            for x in left..(left + TILE).min(self.width) {
                let colour = self.filter.colour(x, top + y);
                let seen = if still {
                    self.through_kernel(&patches[0], x - left, y, colour)
                } else {
                    self.in_passing(&patches, x - left, y, colour)
                };
                alpha[y * self.width + x] = seen[0];
                light[y * self.width + x] = seen[1] * FULL;
            }
        }
    }

    fn through_kernel(&self, patch: &Patch, x: usize, y: usize, colour: usize) -> [f32; 2] {
        let mut sum = [0.0; 2];
        for [dx, dy, weight] in &self.kernel.0 {
            let at = within(patch, x as f32 + dx, y as f32 + dy);
            let seen = self.full(at, colour);
            sum = [sum[0] + weight * seen[0], sum[1] + weight * seen[1]];
        }
        sum
    }

    fn in_passing(&self, patches: &[Patch], x: usize, y: usize, colour: usize) -> [f32; 2] {
        let points = &self.kernel.0;
        let (mut sum, mut total) = ([0.0; 2], 0.0);
        for (i, patch) in patches.iter().enumerate() {
            // Steps through the kernel in an order that spreads each run of looks over it.
            let [dx, dy, weight] = points[(i * 19 + 7) % points.len()];
            let weight = weight + 0.2 / points.len() as f32;
            let at = within(patch, x as f32 + dx, y as f32 + dy);
            let seen = self.half(at, colour);
            sum = [sum[0] + weight * seen[0], sum[1] + weight * seen[1]];
            total += weight;
        }
        [sum[0] / total, sum[1] / total]
    }

    fn patch(&self, camera: &Matrix3<f64>, left: usize, top: usize) -> Patch {
        let (x, y, step) = (left as f64, top as f64, TILE as f64);
        let at = |x: f64, y: f64| {
            let extent = &self.painting.extent;
            let Some(direction) = self.lens.unproject([x, y]) else {
                return [0.0, -1e6];
            };
            let ground = camera.transpose() * direction.into_inner();
            let azimuth = ground.x.atan2(ground.y).to_degrees();
            let middle = extent.azimuth(extent.width as f64 / 2.0);
            let near = azimuth + 360.0 * ((middle - azimuth) / 360.0).round();
            let altitude = ground.z.clamp(-1.0, 1.0).asin().to_degrees();
            [extent.x(near) as f32, extent.y(altitude) as f32]
        };
        let (a, b, c, d) = (at(x, y), at(x + step, y), at(x, y + step), at(x + step, y + step));
        let across = [0, 1].map(|i| (b[i] - a[i]) / TILE as f32);
        let down = [0, 1].map(|i| (c[i] - a[i]) / TILE as f32);
        let both = [0, 1].map(|i| (d[i] - b[i] - c[i] + a[i]) / (TILE * TILE) as f32);
        [a, across, down, both]
    }

    /// Whether any land may lie within a patch and a kernel's reach of it.
    fn may_hold(&self, patch: &Patch) -> bool {
        let extent = &self.painting.extent;
        let far = TILE as f32 + 3.0;
        let corners = [(-3.0, -3.0), (far, -3.0), (-3.0, far), (far, far)].map(|(x, y)| within(patch, x, y));
        let low = |i: usize| corners.iter().map(|c| c[i]).fold(f32::MAX, f32::min);
        let high = |i: usize| corners.iter().map(|c| c[i]).fold(f32::MIN, f32::max);
        if high(1) < 0.0 {
            return false;
        }
        let (across, down) = (extent.width.div_ceil(BLOCK), extent.height.div_ceil(BLOCK));
        let block = |v: f32, count: usize| ((v.max(0.0) as usize) / BLOCK).min(count - 1);
        let columns = block(low(0), across)..=block(high(0), across);
        (block(low(1), down)..=block(high(1), down)).any(|row| {
            columns
                .clone()
                .any(|column| self.painting.occupied[row * across + column])
        })
    }

    fn full(&self, at: [f32; 2], colour: usize) -> [f32; 2] {
        let extent = &self.painting.extent;
        bilinear(&self.painting.texels, extent.width, extent.height, at, colour)
    }

    fn half(&self, at: [f32; 2], colour: usize) -> [f32; 2] {
        let extent = &self.painting.extent;
        let at = at.map(|v| v * 0.5 - 0.25);
        bilinear(
            &self.painting.half,
            extent.width / 2,
            extent.height / 2,
            at,
            colour,
        )
    }
}

fn within(patch: &Patch, x: f32, y: f32) -> [f32; 2] {
    let [a, across, down, both] = patch;
    [0, 1].map(|i| a[i] + across[i] * x + down[i] * y + both[i] * x * y)
}

/// Coverage and one colour; the edges go on for ever below and beside, and nothing stands above.
fn bilinear(texels: &[[u16; 4]], width: usize, height: usize, at: [f32; 2], colour: usize) -> [f32; 2] {
    if at[1] <= -1.0 {
        return [0.0; 2];
    }
    let x = at[0].clamp(0.0, (width - 1) as f32);
    let y = at[1].clamp(0.0, (height - 1) as f32);
    let (ix, iy) = ((x as usize).min(width - 2), (y as usize).min(height - 2));
    let (tx, ty) = (x - ix as f32, y - iy as f32);
    let row = &texels[iy * width + ix..];
    let corners = [(row[0], (1.0 - tx) * (1.0 - ty)), (row[1], tx * (1.0 - ty))];
    let row = &texels[(iy + 1) * width + ix..];
    let lower = [(row[0], (1.0 - tx) * ty), (row[1], tx * ty)];
    let mut sum = [0.0; 2];
    for (texel, weight) in corners.into_iter().chain(lower) {
        sum[0] += f32::from(texel[3]) * weight;
        sum[1] += f32::from(texel[colour]) * weight;
    }
    sum.map(|v| v / 65535.0)
}
