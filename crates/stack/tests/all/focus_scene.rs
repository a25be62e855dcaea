//! A painted night at known depths: layers, each blurred by its own disc with its own cover, laid over
//! one another from the back. Nothing of the crate is used but its planes.

use nightloom_raster::{Plane, Rgb};

use crate::scene::Random;

pub(crate) const SIZE: [usize; 2] = [480, 320];
/// Pixels of the disc's radius for one dioptre beside the focus.
const DISC_PX: f64 = 24.0;
/// The layers from the back, dioptres: sky, a far ridge, the middle, the near.
pub(crate) const DEPTHS: [f64; 4] = [0.0, 0.005, 0.12, 0.33];
const COLOURS: [[f64; 3]; 4] = [[0.9, 1.0, 1.2], [0.8, 1.0, 0.9], [1.1, 1.0, 0.7], [1.0, 0.9, 0.8]];
/// Values of the layers: a bright sky, land of unlike darkness.
const LEVELS: [f64; 4] = [0.03, 0.008, 0.015, 0.006];

/// One frame's setting.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Setting {
    /// Focus, dioptres.
    pub(crate) focus: f64,
    /// Scale about the principal point.
    pub(crate) scale: f64,
    /// Turn of the stars since the first frame, radians.
    pub(crate) turn: f64,
    /// Standard deviation of a pixel's noise at value 0.01, as a share of it.
    pub(crate) noise: f64,
    /// Length of a shake, pixels, along 30° down from the right.
    pub(crate) shake: f64,
    pub(crate) noise_seed: u64,
}

impl Setting {
    pub(crate) fn at(focus: f64) -> Self {
        Self {
            focus,
            scale: 1.0,
            turn: 0.0,
            noise: 0.06,
            shake: 0.0,
            noise_seed: 1,
        }
    }

    /// Variance of a pixel of luminance as a line: half of it photons at 0.01. A quarter, a half, a quarter
    /// of three channels of one noise leave 3/8 of the variance.
    pub(crate) fn noise_line(&self) -> [f32; 2] {
        let variance = 0.375 * (self.noise * 0.01).powi(2);
        [(0.5 * variance) as f32, (0.5 * variance / 0.01) as f32]
    }
}

/// A night's land and sky.
pub(crate) struct Painting {
    seed: u64,
    waves: Vec<[f64; 4]>,
    lamps: Vec<[f64; 3]>,
    edges: [[f64; 4]; 4],
    pub(crate) principal: [f64; 2],
}

impl Painting {
    pub(crate) fn new(seed: u64) -> Self {
        let mut random = Random::new(seed * 77 + 5);
        let waves = (0..36)
            .map(|_| {
                let length = 4.0 * (random.uniform() * 15f64.ln()).exp();
                let angle = random.between(0.0, std::f64::consts::PI);
                let k = std::f64::consts::TAU / length;
                [
                    k * angle.cos(),
                    k * angle.sin(),
                    random.between(0.0, std::f64::consts::TAU),
                    0.03 + 0.05 * (length / 60.0).sqrt(),
                ]
            })
            .collect();
        let lamps = (0..14)
            .map(|_| {
                [
                    random.between(10.0, 470.0),
                    random.between(120.0, 310.0),
                    random.between(0.05, 0.4),
                ]
            })
            .collect();
        let mut edge = |base: f64, size: f64| {
            [
                base + random.between(-10.0, 10.0),
                size,
                random.between(25.0, 60.0),
                random.between(0.0, 6.0),
            ]
        };
        let edges = [[0.0; 4], edge(110.0, 20.0), edge(170.0, 25.0), edge(235.0, 30.0)];
        Self {
            seed,
            waves,
            lamps,
            edges,
            principal: [236.0, 163.5],
        }
    }

    /// Cover of a layer in focus, 0 to 1, with the lens's own blur of the edge.
    fn cover(&self, layer: usize, u: f64, v: f64) -> f64 {
        if layer == 0 {
            return 1.0;
        }
        let [base, size, length, phase] = self.edges[layer];
        let ridge = base + size * (u / length + phase).sin() + 0.4 * size * (u / (0.37 * length)).cos();
        let mut depth = (v - ridge) / (1.0 + (size / length).powi(2)).sqrt();
        if layer == 3 {
            // Two trunks.
            let trunk = |x: f64| 7.0 - (u - x).abs();
            depth = depth
                .max(trunk(120.0).min(v - 60.0))
                .max(trunk(330.0).min(v - 140.0));
        }
        1.0 / (1.0 + (-depth / 0.45).exp())
    }

    /// Brightness of a layer, of mean about its level.
    fn light(&self, layer: usize, u: f64, v: f64) -> f64 {
        if layer == 0 {
            return LEVELS[0] * (0.5 + 0.5 * v / 200.0);
        }
        // Other waves for each layer; places with and without texture.
        let shift = 131.0 * layer as f64;
        let much = 0.5 + 0.5 * ((u + 3.0 * shift) / 53.0).sin() * (v / 41.0).cos();
        let texture: f64 = self
            .waves
            .iter()
            .map(|[a, b, phase, size]| size * (a * (u + shift) + b * (v - shift) + phase).sin())
            .sum();
        let mut value = LEVELS[layer] * (1.0 + (0.3 + much) * texture).max(0.1);
        for (i, [x, y, peak]) in self.lamps.iter().enumerate() {
            let r2 = (u - x).powi(2) + (v - y).powi(2);
            if i % 3 + 1 == layer && r2 < 40.0 {
                value += peak * (-0.5 * r2 / 0.8).exp();
            }
        }
        value
    }

    /// Trails of stars, sharp: added to the sky before it is blurred.
    fn trails(&self, turn: f64, plane: &mut Plane) {
        let mut random = Random::new(self.seed + 900);
        for _ in 0..60 {
            let (r, a) = (random.between(40.0, 420.0), random.between(0.0, 7.0));
            let peak = 0.01 * random.between(0.15, 1.0).powi(-2);
            let dots = (r * 0.05 * 2.0).ceil() as usize;
            for i in 0..dots {
                let angle = a + turn + 0.05 * i as f64 / dots as f64;
                let (x, y) = (200.0 + r * angle.cos(), 30.0 + r * angle.sin());
                crate::scene::add_star(plane, x, y, peak, 1.9);
            }
        }
    }

    /// The picture without noise; `None` of a focus is the picture sharp everywhere.
    pub(crate) fn sharp(&self, setting: &Setting, all_in_focus: bool) -> Rgb {
        let [w, h] = SIZE;
        let mut out: Vec<Plane> = (0..3).map(|_| Plane::filled(w, h, 0.0)).collect();
        for layer in 0..4 {
            let place = |x: usize, y: usize| {
                let p = [x as f64, y as f64];
                [0, 1].map(|i| self.principal[i] + (p[i] - self.principal[i]) / setting.scale)
            };
            let cover = Plane::from_fn(w, h, |x, y| {
                let [u, v] = place(x, y);
                self.cover(layer, u, v) as f32
            });
            let mut light = Plane::from_fn(w, h, |x, y| {
                let [u, v] = place(x, y);
                match self.cover(layer, u, v) {
                    hidden if hidden < 1e-9 => 0.0,
                    cover => (cover * self.light(layer, u, v)) as f32,
                }
            });
            if layer == 0 {
                self.trails(setting.turn, &mut light);
            }
            let radius = if all_in_focus {
                0.0
            } else {
                DISC_PX * (DEPTHS[layer] - setting.focus).abs()
            };
            let kernel = kernel(radius, setting.shake);
            let (cover, light) = (convolved(&cover, &kernel), convolved(&light, &kernel));
            for (c, plane) in out.iter_mut().enumerate() {
                let values = plane.data_mut().iter_mut().zip(cover.data()).zip(light.data());
                values.for_each(|((v, a), l)| *v = *v * (1.0 - a) + l * COLOURS[layer][c] as f32);
            }
        }
        let [r, g, b]: [Plane; 3] = out.try_into().unwrap();
        Rgb::from_planes([r, g, b])
    }

    pub(crate) fn frame(&self, setting: &Setting) -> Rgb {
        noisy(self.sharp(setting, false), setting)
    }

    /// The layer that each pixel shows, with everything in focus.
    pub(crate) fn depths(&self) -> Vec<usize> {
        let front = |x: usize, y: usize| (1..4).rev().find(|l| self.cover(*l, x as f64, y as f64) > 0.5);
        let pixels = (0..SIZE[0] * SIZE[1]).map(|k| (k % SIZE[0], k / SIZE[0]));
        pixels.map(|(x, y)| front(x, y).unwrap_or(0)).collect()
    }

    /// Share of sky, with everything in focus.
    pub(crate) fn sky(&self) -> Plane {
        Plane::from_fn(SIZE[0], SIZE[1], |x, y| {
            let (u, v) = (x as f64, y as f64);
            (1..4).map(|l| 1.0 - self.cover(l, u, v)).product::<f64>() as f32
        })
    }
}

pub(crate) fn noisy(mut picture: Rgb, setting: &Setting) -> Rgb {
    let mut random = Random::new(setting.noise_seed);
    let sigma = setting.noise * 0.01;
    for plane in picture.planes_mut() {
        for v in plane.data_mut() {
            let variance = sigma * sigma * (0.5 + 0.5 * f64::from(*v) / 0.01);
            *v += (variance.sqrt() * random.normal()) as f32;
        }
    }
    picture
}

/// A disc's weights by area and a shake along a line, as offsets.
fn kernel(radius: f64, shake: f64) -> Vec<(isize, isize, f32)> {
    const FINE: usize = 8;
    let reach = (radius + shake + 1.0).ceil() as isize;
    let side = 2 * reach + 1;
    let mut sums = vec![0.0; (side * side) as usize];
    let steps = if shake > 0.0 { 15 } else { 1 };
    let fine = |i: usize| (i as f64 + 0.5) / FINE as f64 - 0.5;
    for s in 0..steps {
        let along = shake * ((s as f64 + 0.5) / steps as f64 - 0.5);
        let (ox, oy) = (along * 0.866, along * 0.5);
        for y in -reach..=reach {
            for x in -reach..=reach {
                let hits = (0..FINE * FINE).filter(|i| {
                    let (u, v) = (x as f64 + fine(i % FINE) - ox, y as f64 + fine(i / FINE) - oy);
                    u.hypot(v) <= radius.max(0.5)
                });
                sums[((y + reach) * side + x + reach) as usize] += hits.count() as f64;
            }
        }
    }
    if radius == 0.0 && shake == 0.0 {
        return vec![(0, 0, 1.0)];
    }
    let total: f64 = sums.iter().sum();
    let place = |i: usize| (i as isize % side - reach, i as isize / side - reach);
    let all = sums.iter().enumerate().filter(|(_, v)| **v > 0.0);
    all.map(|(i, v)| (place(i).0, place(i).1, (v / total) as f32))
        .collect()
}

/// The plane under the kernel, its edge values going on outside.
fn convolved(plane: &Plane, kernel: &[(isize, isize, f32)]) -> Plane {
    let (w, h) = (plane.width(), plane.height());
    let mut out = Plane::filled(w, h, 0.0);
    for y in 0..h {
        for &(dx, dy, k) in kernel {
            let from = plane.row(y.saturating_add_signed(dy).min(h - 1));
            let to = out.row_mut(y);
            let (first, last) = (
                0usize.saturating_add_signed(-dx),
                w.saturating_add_signed(-dx).min(w),
            );
            let inside = first.saturating_add_signed(dx)..last.saturating_add_signed(dx);
            to[..first].iter_mut().for_each(|o| *o += k * from[0]);
            for (o, v) in to[first..last].iter_mut().zip(&from[inside]) {
                *o += k * v;
            }
            to[last..].iter_mut().for_each(|o| *o += k * from[w - 1]);
        }
    }
    out
}
