//! Draws moving points of light into a plane, integrated over the pixels.

use std::sync::LazyLock;

use nightloom_raster::{Cfa, Plane};
use rayon::prelude::*;

/// Which colour a pixel of the plane has.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Filter {
    /// That of its Bayer filter.
    Bayer(Cfa),
    /// The same everywhere: 0 red, 1 green, 2 blue.
    One(usize),
}

impl Filter {
    #[inline]
    pub(crate) fn colour(self, x: usize, y: usize) -> usize {
        match self {
            Self::Bayer(cfa) => cfa.colour(x, y),
            Self::One(colour) => colour,
        }
    }
}

/// A point of light on its way over the frame.
#[derive(Clone, Debug)]
pub(crate) struct Trail {
    /// Places at equal times, pixels; at least one.
    pub(crate) knots: Vec<[f32; 2]>,
    /// Light of the whole trail in each colour, electrons.
    pub(crate) light: [f32; 3],
    /// Width σ of the core, pixels.
    pub(crate) sigma: f32,
    /// Coma: length of the tail, pixels, and the direction it points.
    pub(crate) coma: [f32; 2],
    /// Seconds between flashes over the length of the trail in seconds, and how long each lasts;
    /// `None` shines steadily.
    pub(crate) flash: Option<Flash>,
}

/// A light that comes and goes, in parts of the trail.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Flash {
    pub(crate) period: f32,
    pub(crate) on: f32,
    pub(crate) phase: f32,
}

/// Share of a star's light in the wide skirt of the image, and how much wider it is than the core.
const SKIRT: (f32, f32) = (0.06, 2.6);
/// Parts of the comatic tail: where along it, and how much of the light, core included.
const COMA: [(f32, f32); 4] = [(0.0, 0.46), (0.35, 0.28), (0.7, 0.17), (1.0, 0.09)];
/// Rows that one thread draws at a time.
const BAND_ROWS: usize = 32;

impl Trail {
    pub(crate) fn point(at: [f64; 2], light: [f64; 3], sigma: f64) -> Self {
        Self {
            knots: vec![[at[0] as f32, at[1] as f32]],
            light: light.map(|c| c as f32),
            sigma: sigma as f32,
            coma: [0.0; 2],
            flash: None,
        }
    }

    fn reach(&self) -> f32 {
        let total = self.light[0] + self.light[1] + self.light[2];
        // Far enough that what is cut off a bright star is less than an electron a pixel.
        let skirt = self.sigma * SKIRT.1;
        let far = if total > 2000.0 {
            (2.0 * (total * SKIRT.0 / (skirt * skirt)).max(1.0).ln()).sqrt() * skirt
        } else {
            0.0
        };
        (3.6 * self.sigma).max(far) + self.coma[0].hypot(self.coma[1]) + 1.0
    }

    fn rows(&self) -> (f32, f32) {
        let reach = self.reach();
        let (low, high) = self.knots.iter().fold((f32::MAX, f32::MIN), |(low, high), k| {
            (low.min(k[1]), high.max(k[1]))
        });
        (low - reach, high + reach)
    }
}

/// Adds all trails to the plane. The order of addition is that of the list in every pixel, whatever
/// the number of threads.
pub(crate) fn draw(plane: &mut Plane, trails: &[Trail], filter: Filter) {
    let (width, height) = (plane.width(), plane.height());
    let bands = height.div_ceil(BAND_ROWS);
    let mut lists = vec![Vec::new(); bands];
    for (i, trail) in trails.iter().enumerate() {
        let (low, high) = trail.rows();
        if high < 0.0 || low >= height as f32 {
            continue;
        }
        let first = (low.max(0.0) as usize) / BAND_ROWS;
        let last = (high.min(height as f32 - 1.0) as usize) / BAND_ROWS;
        for list in &mut lists[first..=last] {
            list.push(i as u32);
        }
    }
    plane
        .data_mut()
        .par_chunks_mut(BAND_ROWS * width)
        .zip(lists)
        .enumerate()
        .for_each(|(band, (rows, list))| {
            let mut stamp = Stamp {
                rows,
                width,
                top: band * BAND_ROWS,
                filter,
                across: Vec::new(),
            };
            for i in list {
                stamp.trail(&trails[i as usize]);
            }
        });
}

struct Stamp<'a> {
    rows: &'a mut [f32],
    width: usize,
    top: usize,
    filter: Filter,
    across: Vec<f32>,
}

impl Stamp<'_> {
    fn trail(&mut self, trail: &Trail) {
        let wide = trail.reach() > 3.7 * trail.sigma + trail.coma[0].hypot(trail.coma[1]) + 1.0;
        let legs = trail.knots.len() - 1;
        if legs == 0 {
            self.star(trail, trail.knots[0], 1.0, wide);
            return;
        }
        for (leg, pair) in trail.knots.windows(2).enumerate() {
            let length = (pair[1][0] - pair[0][0]).hypot(pair[1][1] - pair[0][1]);
            let steps = (length / (1.1 * trail.sigma)).ceil().max(1.0) as usize;
            // Steps of 1.1 σ: a line of Gaussians so spaced is even to 1e-6.
            for step in 0..steps {
                let t = (step as f32 + 0.5) / steps as f32;
                let part = (leg as f32 + t) / legs as f32;
                let share = 1.0 / (steps * legs) as f32;
                if trail
                    .flash
                    .is_none_or(|f| ((part + f.phase) / f.period).fract() * f.period < f.on)
                {
                    let at = [0, 1].map(|i| pair[0][i] + (pair[1][i] - pair[0][i]) * t);
                    self.star(trail, at, share, wide);
                }
            }
        }
    }

    fn star(&mut self, trail: &Trail, at: [f32; 2], share: f32, wide: bool) {
        let core = if wide { share * (1.0 - SKIRT.0) } else { share };
        if trail.coma == [0.0; 2] {
            self.blob(at, trail.light.map(|c| c * core), trail.sigma);
        } else {
            // The tail is laid so that the centroid stays where the point is.
            let mean: f32 = COMA.iter().map(|(along, weight)| along * weight).sum();
            for (along, weight) in COMA {
                let shift = along - mean;
                let place = [at[0] + trail.coma[0] * shift, at[1] + trail.coma[1] * shift];
                self.blob(
                    place,
                    trail.light.map(|c| c * core * weight),
                    trail.sigma * (1.0 + 0.25 * along),
                );
            }
        }
        if wide {
            self.blob(
                at,
                trail.light.map(|c| c * share * SKIRT.0),
                trail.sigma * SKIRT.1,
            );
        }
    }

    /// A round Gaussian, integrated over each pixel.
    fn blob(&mut self, at: [f32; 2], light: [f32; 3], sigma: f32) {
        let total = light[0] + light[1] + light[2];
        let peak = total / (6.3 * sigma * sigma);
        // Cut where a thousandth of an electron is left, no nearer than 2.2 σ.
        let reach = sigma * (2.0 * (peak * 1000.0).max(11.0).ln()).sqrt();
        let (left, right) = ((at[0] - reach).round().max(0.0), (at[0] + reach).round());
        let (top, bottom) = (
            (at[1] - reach).round().max(self.top as f32),
            (at[1] + reach).round(),
        );
        let last_row = self.top + self.rows.len() / self.width - 1;
        if right < 0.0 || bottom < top || left >= self.width as f32 {
            return;
        }
        let (left, right) = (left as usize, (right as usize).min(self.width - 1));
        let (top, bottom) = (top as usize, (bottom as usize).min(last_row));
        let scale = 1.0 / sigma;
        self.across.clear();
        let mut before = below((left as f32 - 0.5 - at[0]) * scale);
        for x in left..=right {
            let after = below((x as f32 + 0.5 - at[0]) * scale);
            self.across.push(after - before);
            before = after;
        }
        let mut before = below((top as f32 - 0.5 - at[1]) * scale);
        for y in top..=bottom {
            let after = below((y as f32 + 0.5 - at[1]) * scale);
            let down = after - before;
            before = after;
            let start = (y - self.top) * self.width;
            let row = &mut self.rows[start + left..=start + right];
            for (i, (value, across)) in row.iter_mut().zip(&self.across).enumerate() {
                *value += light[self.filter.colour(left + i, y)] * across * down;
            }
        }
    }
}

const TABLE_REACH: f32 = 6.0;
const TABLE_STEPS: usize = 3072;

/// The part of a normal distribution below z, from a table (linear between entries, error < 2e-6).
fn below(z: f32) -> f32 {
    static TABLE: LazyLock<Vec<f32>> = LazyLock::new(|| {
        let step = 2.0 * f64::from(TABLE_REACH) / TABLE_STEPS as f64;
        // Simpson's rule, cumulated.
        let density = |z: f64| (-0.5 * z * z).exp() / std::f64::consts::TAU.sqrt();
        let mut sum = 0.0;
        let mut table = vec![0.0f32];
        for i in 0..=TABLE_STEPS {
            let z = -f64::from(TABLE_REACH) + i as f64 * step;
            sum += (density(z) + 4.0 * density(z + step / 2.0) + density(z + step)) * step / 6.0;
            table.push(sum as f32);
        }
        table
    });
    let at = (z.clamp(-TABLE_REACH, TABLE_REACH) + TABLE_REACH) * (TABLE_STEPS as f32 / (2.0 * TABLE_REACH));
    let i = at as usize;
    TABLE[i] + (TABLE[i + 1] - TABLE[i]) * (at - i as f32)
}

#[cfg(test)]
mod tests {
    use super::{Filter, Trail, draw};
    use nightloom_raster::Plane;

    fn moments(plane: &Plane) -> [f64; 3] {
        let mut sum = [0.0; 3];
        for y in 0..plane.height() {
            for x in 0..plane.width() {
                let v = f64::from(plane.at(x, y));
                sum = [sum[0] + v, sum[1] + v * x as f64, sum[2] + v * y as f64];
            }
        }
        [sum[0], sum[1] / sum[0], sum[2] / sum[0]]
    }

    /// A star keeps its light (to 0.2 %) and its place (to 0.005 px), coma or not, moving or not.
    #[test]
    fn light_and_place_are_kept() {
        for coma in [[0.0, 0.0], [2.0, 1.0]] {
            for knots in [vec![[40.3, 50.7]], vec![[36.3, 50.7], [44.3, 50.7]]] {
                let trail = Trail {
                    knots,
                    light: [0.0, 50_000.0, 0.0],
                    sigma: 0.8,
                    coma,
                    flash: None,
                };
                let mut plane = Plane::filled(90, 100, 0.0);
                draw(&mut plane, &[trail], Filter::One(1));
                let [light, x, y] = moments(&plane);
                assert!((light / 50_000.0 - 1.0).abs() < 0.002, "{light}");
                assert!((x - 40.3).abs() < 0.005 && (y - 50.7).abs() < 0.005, "({x}, {y})");
            }
        }
    }
}
