//! Small helpers that change the size of planes or look at neighbourhoods.

use nightloom_raster::Plane;
use rayon::prelude::*;

use crate::grid_cut::STEPS;

/// Bilinear look-up of a plane of cells at full-resolution pixel (x, y); edges are extended.
#[inline]
pub(crate) fn sample_cells(cells: &Plane, factor: usize, x: f32, y: f32) -> f32 {
    Between::of(cells, factor, x, y).sample(cells)
}

/// Four cells about a pixel, found once for all planes of one size.
#[derive(Clone, Copy)]
pub(crate) struct Between {
    /// The cells in both rows: the first and the one beside it.
    upper: [usize; 2],
    lower: [usize; 2],
    /// Parts of the way to the ones beside.
    u: f32,
    v: f32,
}

impl Between {
    /// About the full-resolution pixel (x, y).
    #[inline]
    pub(crate) fn of(cells: &Plane, factor: usize, x: f32, y: f32) -> Self {
        let to_cell = |v: f32| (v + 0.5) / factor as f32 - 0.5;
        let (width, height) = (cells.width(), cells.height());
        let (u, i) = split(to_cell(x), width);
        let (v, j) = split(to_cell(y), height);
        let (i1, j1) = ((i + 1).min(width - 1), (j + 1).min(height - 1));
        Self {
            upper: [j * width + i, j * width + i1],
            lower: [j1 * width + i, j1 * width + i1],
            u,
            v,
        }
    }

    /// The value between them in one plane.
    #[inline]
    pub(crate) fn sample(&self, cells: &Plane) -> f32 {
        let (data, u, v) = (cells.data(), self.u, self.v);
        let along = |row: [usize; 2]| data[row[0]] * (1.0 - u) + data[row[1]] * u;
        along(self.upper) * (1.0 - v) + along(self.lower) * v
    }
}

#[inline]
fn split(v: f32, n: usize) -> (f32, usize) {
    let v = v.clamp(0.0, (n - 1) as f32);
    let i = v as usize;
    (v - i as f32, i)
}

/// Marks pixels whose square neighbourhood of `radius` holds both sides of `alpha` = ½.
pub(crate) fn near_edge(alpha: &Plane, radius: usize) -> Vec<bool> {
    let side: Vec<u8> = alpha
        .data()
        .iter()
        .map(|&a| if a >= 0.5 { 2 } else { 1 })
        .collect();
    let (width, height) = (alpha.width(), alpha.height());
    let spread = spread_bits(&side, width, height, radius);
    spread.into_iter().map(|bits| bits == 3).collect()
}

/// Each pixel becomes the "or" of its square neighbourhood.
pub(crate) fn spread_bits(bits: &[u8], width: usize, height: usize, radius: usize) -> Vec<u8> {
    let mut across = vec![0u8; bits.len()];
    across
        .par_chunks_mut(width.max(1))
        .zip(bits.par_chunks(width.max(1)))
        .for_each(|(out, row)| window_or(row, radius, out));
    let mut down = vec![0u8; bits.len()];
    down.par_chunks_mut(width.max(1))
        .enumerate()
        .for_each(|(y, out)| {
            for yy in y.saturating_sub(radius)..(y + radius + 1).min(height) {
                for (o, &b) in out.iter_mut().zip(&across[yy * width..(yy + 1) * width]) {
                    *o |= b;
                }
            }
        });
    down
}

fn window_or(row: &[u8], radius: usize, out: &mut [u8]) {
    let n = row.len();
    let all = row.iter().fold(0, |all, b| all | b);
    for bit in [1u8, 2, 4, 8, 16, 32, 64, 128]
        .into_iter()
        .filter(|bit| all & bit != 0)
    {
        let mut last: Option<usize> = None;
        let mut ahead = 0;
        for (x, o) in out.iter_mut().enumerate() {
            while ahead < n && ahead <= x + radius {
                if row[ahead] & bit != 0 {
                    last = Some(ahead);
                }
                ahead += 1;
            }
            if last.is_some_and(|l| l + radius >= x) {
                *o |= bit;
            }
        }
    }
}

/// A smooth blur of cells, with nothing beyond their rim: three boxes, which come close to a normal curve of this
/// standard deviation (Wells 1986, IEEE TPAMI 8, 234).
pub(crate) fn blurred(values: &[f32], width: usize, sigma: usize) -> Vec<f32> {
    let mut out = values.to_vec();
    let height = values.len() / width.max(1);
    for _ in 0..3 {
        out.chunks_mut(width)
            .for_each(|row| box_mean(row, 0, 1, width, sigma));
        (0..width).for_each(|x| box_mean(&mut out, x, width, height, sigma));
    }
    out
}

/// Means of `count` values `stride` apart, each over the `radius` before and behind it.
fn box_mean(values: &mut [f32], first: usize, stride: usize, count: usize, radius: usize) {
    let line: Vec<f32> = (0..count).map(|i| values[first + i * stride]).collect();
    let mut sum: f64 = line.iter().take(radius).map(|v| f64::from(*v)).sum();
    for i in 0..count {
        sum += line.get(i + radius).map_or(0.0, |v| f64::from(*v));
        values[first + i * stride] = (sum / (2 * radius + 1) as f64) as f32;
        sum -= i.checked_sub(radius).map_or(0.0, |k| f64::from(line[k]));
    }
}

/// Fills NaN cells from their finite neighbours, growing inwards ring by ring. The slope that leads to the rim goes on
/// beyond it, halved from ring to ring.
pub(crate) fn fill_nan(plane: &mut Plane) {
    let (width, height) = (plane.width() as isize, plane.height() as isize);
    let at = |plane: &Plane, x: isize, y: isize| {
        let inside = (0..width).contains(&x) && (0..height).contains(&y);
        Some(plane)
            .filter(|_| inside)
            .map(|p| p.at(x as usize, y as usize))
            .filter(|v| v.is_finite())
    };
    loop {
        let before = plane.clone();
        let mut open = 0usize;
        for (x, y) in (0..height).flat_map(|y| (0..width).map(move |x| (x, y))) {
            if at(&before, x, y).is_some() {
                continue;
            }
            let (mut sum, mut n) = (0.0, 0.0);
            for (dx, dy) in STEPS {
                if let Some(near) = at(&before, x + dx, y + dy) {
                    let slope = at(&before, x + 2 * dx, y + 2 * dy).map_or(0.0, |far| near - far);
                    sum += near + 0.5 * slope;
                    n += 1.0;
                }
            }
            if n > 0.0 {
                *plane.at_mut(x as usize, y as usize) = sum / n;
            } else {
                open += 1;
            }
        }
        if open == 0 || open == before.data().len() {
            return;
        }
    }
}

/// Continues values into places without weight: pull-push (Gortler et al. 1996, "The Lumigraph").
///
/// Where the weight reaches `full` the value stays; below, coarser levels are blended in.
pub(crate) fn pull_push(values: &Plane, weights: &Plane, full: f32) -> Plane {
    let (width, height) = (values.width(), values.height());
    let mut out = Plane::filled(width, height, 0.0);
    if width * height <= 1 {
        out.data_mut().copy_from_slice(values.data());
        return out;
    }
    let (w2, h2) = (width.div_ceil(2), height.div_ceil(2));
    let mut small = Plane::filled(w2, h2, 0.0);
    let mut small_weights = Plane::filled(w2, h2, 0.0);
    for j in 0..h2 {
        for i in 0..w2 {
            let (mut sum, mut weight) = (0.0, 0.0);
            for (x, y) in [
                (2 * i, 2 * j),
                (2 * i + 1, 2 * j),
                (2 * i, 2 * j + 1),
                (2 * i + 1, 2 * j + 1),
            ] {
                if x < width && y < height && weights.at(x, y) > 0.0 {
                    let w = weights.at(x, y).min(full);
                    sum += w * values.at(x, y);
                    weight += w;
                }
            }
            *small.at_mut(i, j) = if weight > 0.0 { sum / weight } else { 0.0 };
            *small_weights.at_mut(i, j) = weight.min(full);
        }
    }
    let coarse = pull_push(&small, &small_weights, full);
    out.data_mut()
        .par_chunks_mut(width)
        .enumerate()
        .for_each(|(y, row)| {
            for (x, o) in row.iter_mut().enumerate() {
                let share = (weights.at(x, y) / full).clamp(0.0, 1.0);
                let below = if share < 1.0 {
                    sample_cells(&coarse, 2, x as f32, y as f32)
                } else {
                    0.0
                };
                *o = if share > 0.0 {
                    share * values.at(x, y) + (1.0 - share) * below
                } else {
                    below
                };
            }
        });
    out
}
