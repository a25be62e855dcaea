//! Small nights with a known matte: ridge, conifers and bare branches before a starry sky.

use nightloom_raster::{Plane, Rgb};

/// Deterministic noise (SplitMix64; Steele, Lea & Flood 2014).
pub(crate) struct Dice(u64);

impl Dice {
    pub(crate) fn new(seed: u64) -> Self {
        Self(seed)
    }
    pub(crate) fn unit(&mut self) -> f32 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 40) as f32 / (1u64 << 24) as f32
    }
    pub(crate) fn between(&mut self, low: f32, high: f32) -> f32 {
        low + (high - low) * self.unit()
    }
    pub(crate) fn normal(&mut self) -> f32 {
        let u = self.unit().max(1e-7);
        (-2.0 * u.ln()).sqrt() * (std::f32::consts::TAU * self.unit()).cos()
    }
}

/// A tapered limb from a to b, half widths at both ends, pixels.
#[derive(Clone, Copy)]
pub(crate) struct Limb {
    pub(crate) a: [f32; 2],
    pub(crate) b: [f32; 2],
    pub(crate) half: [f32; 2],
}

impl Limb {
    fn holds(&self, p: [f32; 2]) -> bool {
        let d = [self.b[0] - self.a[0], self.b[1] - self.a[1]];
        let q = [p[0] - self.a[0], p[1] - self.a[1]];
        let t = ((q[0] * d[0] + q[1] * d[1]) / (d[0] * d[0] + d[1] * d[1]).max(1e-9)).clamp(0.0, 1.0);
        let away = [q[0] - t * d[0], q[1] - t * d[1]];
        let half = self.half[0] + t * (self.half[1] - self.half[0]);
        away[0] * away[0] + away[1] * away[1] <= half * half
    }
}

/// How bright the land is against the sky near the horizon (1 = equal).
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) enum Ground {
    /// A silhouette: 0.12 of the sky.
    Dark,
    /// Forest under a low moon: 0.25 to 0.9 of the sky.
    Moonlit,
    /// Snow under a moon: 2 to 4 times the sky.
    Bright,
    /// None: sky down to the lower edge.
    None,
    /// Nothing but land.
    Only,
}

#[derive(Clone, Copy)]
pub(crate) struct SceneSettings {
    pub(crate) width: usize,
    pub(crate) height: usize,
    pub(crate) ground: Ground,
    /// Noise of one pixel at the sky's level, as a fraction of it.
    pub(crate) noise: f32,
    /// Length of the star trails, pixels, and what is left of them (1 single frame, 0 none).
    pub(crate) trail_px: f32,
    pub(crate) trail_left: f32,
    pub(crate) seed: u64,
}

impl Default for SceneSettings {
    fn default() -> Self {
        Self {
            width: 600,
            height: 400,
            ground: Ground::Moonlit,
            noise: 0.04,
            trail_px: 18.0,
            trail_left: 1.0,
            seed: 7,
        }
    }
}

pub(crate) struct Scene {
    /// Truth: 0 land to 1 sky.
    pub(crate) alpha: Plane,
    /// Land alone, everywhere.
    pub(crate) ground: Rgb,
    /// Sky alone, star-free, everywhere.
    pub(crate) sky: Rgb,
    /// Sky with sharp stars, as a tracked stack would show.
    pub(crate) stars: Rgb,
    /// What the fixed camera's stack shows: composite, trails, noise.
    pub(crate) land: Rgb,
    /// Limbs one pixel wide and thinner (in the picture).
    pub(crate) twigs: Vec<Limb>,
}

const SKY: [f32; 3] = [0.0170, 0.0200, 0.0230];

pub(crate) fn ridge(x: f32, s: &SceneSettings) -> f32 {
    let w = s.width as f32;
    let h = s.height as f32;
    h * (0.66 + 0.06 * (x / w * 5.1).sin() + 0.03 * (x / w * 13.7 + 1.0).sin() + 0.004 * (x / w * 91.0).sin())
}

pub(crate) fn make(s: SceneSettings) -> Scene {
    let mut dice = Dice::new(s.seed);
    let limbs = if matches!(s.ground, Ground::None | Ground::Only) {
        Vec::new()
    } else {
        plants(&s, &mut dice)
    };
    let alpha = coverage(&s, &limbs);
    let sky = clear_sky(&s);
    let ground = land_colours(&s, &mut dice);
    let (trails, stars) = star_layers(&s, &sky, &mut dice);
    let mut planes: Vec<Plane> = Vec::new();
    for (c, level) in SKY.into_iter().enumerate() {
        let clean = Plane::from_fn(s.width, s.height, |x, y| {
            let a = alpha.at(x, y);
            a * (sky.planes()[c].at(x, y) + trails.planes()[c].at(x, y))
                + (1.0 - a) * ground.planes()[c].at(x, y)
        });
        let raw = Plane::from_fn(s.width, s.height, |x, y| {
            clean.at(x, y) + s.noise * (clean.at(x, y) * level).max(0.0).sqrt() * dice.normal()
        });
        planes.push(raw);
    }
    let land = Rgb::from_planes(planes.try_into().expect("three planes"));
    let twigs = limbs.into_iter().filter(|l| l.half[0] <= 0.5).collect();
    Scene {
        alpha,
        ground,
        sky,
        stars,
        land,
        twigs,
    }
}

fn plants(s: &SceneSettings, dice: &mut Dice) -> Vec<Limb> {
    let mut limbs = Vec::new();
    let scale = s.height as f32 / 400.0;
    for _ in 0..s.width / 14 {
        let x = dice.between(0.0, s.width as f32 * 0.6);
        conifer(
            &mut limbs,
            [x, ridge(x, s) + 3.0],
            dice.between(14.0, 46.0) * scale,
            dice,
        );
    }
    for k in 0..4 {
        let x = s.width as f32 * (0.66 + 0.09 * k as f32);
        let up = -std::f32::consts::FRAC_PI_2;
        branch(
            &mut limbs,
            [x, ridge(x, s) + 4.0],
            up,
            dice.between(28.0, 40.0) * scale,
            2.6,
            dice,
        );
    }
    limbs
}

fn conifer(limbs: &mut Vec<Limb>, foot: [f32; 2], tall: f32, dice: &mut Dice) {
    let top = [foot[0] + dice.between(-1.0, 1.0), foot[1] - tall];
    limbs.push(Limb {
        a: foot,
        b: top,
        half: [1.6, 0.3],
    });
    let mut t = 0.1;
    while t < 0.97 {
        let reach = (1.0 - t) * tall * dice.between(0.16, 0.26);
        let y = foot[1] - tall * t;
        let droop = reach * dice.between(0.1, 0.5);
        let thick = dice.between(0.6, 1.5);
        for side in [-1.0, 1.0] {
            let b = [foot[0] + side * reach, y + droop];
            limbs.push(Limb {
                a: [foot[0], y],
                b,
                half: [thick, 0.3],
            });
        }
        t += dice.between(1.6, 3.2) / tall;
    }
}

fn branch(limbs: &mut Vec<Limb>, a: [f32; 2], angle: f32, length: f32, half: f32, dice: &mut Dice) {
    let b = [a[0] + length * angle.cos(), a[1] + length * angle.sin()];
    limbs.push(Limb {
        a,
        b,
        half: [half, half * 0.75],
    });
    if half < 0.32 {
        return;
    }
    for _ in 0..if half > 1.0 { 3 } else { 2 } {
        let turn = dice.between(-0.75, 0.75);
        branch(
            limbs,
            b,
            angle + turn,
            length * dice.between(0.6, 0.9),
            half * dice.between(0.5, 0.72),
            dice,
        );
    }
}

/// Share of sky in each pixel, from 5 × 5 points.
fn coverage(s: &SceneSettings, limbs: &[Limb]) -> Plane {
    const N: usize = 5;
    if s.ground == Ground::None {
        return Plane::filled(s.width, s.height, 1.0);
    }
    if s.ground == Ground::Only {
        return Plane::filled(s.width, s.height, 0.0);
    }
    let (w, h) = (s.width * N, s.height * N);
    let at = |i: usize| (i as f32 + 0.5) / N as f32 - 0.5;
    let mut land = vec![false; w * h];
    for x in 0..w {
        let edge = ridge(at(x), s);
        for y in 0..h {
            land[y * w + x] = at(y) >= edge;
        }
    }
    let index = |v: f32, n: usize| (((v + 0.5) * N as f32).max(0.0) as usize).min(n);
    for l in limbs {
        let r = l.half[0].max(l.half[1]) + 1.0;
        let (x0, x1) = (index(l.a[0].min(l.b[0]) - r, w), index(l.a[0].max(l.b[0]) + r, w));
        let (y0, y1) = (index(l.a[1].min(l.b[1]) - r, h), index(l.a[1].max(l.b[1]) + r, h));
        for y in y0..y1 {
            for x in x0..x1 {
                land[y * w + x] |= l.holds([at(x), at(y)]);
            }
        }
    }
    Plane::from_fn(s.width, s.height, |x, y| {
        let mut n = 0;
        for j in 0..N {
            for i in 0..N {
                n += usize::from(!land[(y * N + j) * w + x * N + i]);
            }
        }
        n as f32 / (N * N) as f32
    })
}

fn clear_sky(s: &SceneSettings) -> Rgb {
    let (w, h) = (s.width as f32, s.height as f32);
    let planes = std::array::from_fn(|c| {
        let dome = [1.1, 0.8, 0.5][c];
        Plane::from_fn(s.width, s.height, |x, y| {
            let (u, v) = (x as f32 / w, y as f32 / h);
            let glow = dome * (-((u - 0.25) / 0.3).powi(2) - ((0.8 - v) / 0.25).powi(2)).exp();
            let band = 0.25 * (-((u - v * 0.6 - 0.45) / 0.12).powi(2)).exp();
            SKY[c] * (0.8 + 0.3 * v + glow + band)
        })
    });
    Rgb::from_planes(planes)
}

/// Land colours: smooth patches, fine texture, brighter slopes towards the moon.
fn land_colours(s: &SceneSettings, dice: &mut Dice) -> Rgb {
    let (low, high, tint) = match s.ground {
        Ground::Dark => (0.08, 0.16, [0.8, 0.9, 1.0]),
        Ground::Moonlit => (0.2, 0.8, [0.9, 1.0, 0.75]),
        Ground::Bright => (1.8, 4.0, [0.95, 1.0, 1.1]),
        Ground::None | Ground::Only => (0.2, 0.8, [0.9, 1.0, 0.75]),
    };
    let coarse = value_noise(s, 24.0, dice);
    let fine = value_noise(s, 2.5, dice);
    let planes = std::array::from_fn(|c| {
        Plane::from_fn(s.width, s.height, |x, y| {
            let t = (0.65 * coarse.at(x, y) + 0.35 * fine.at(x, y)).clamp(0.0, 1.0);
            SKY[c] * tint[c] * (low + (high - low) * t)
        })
    });
    Rgb::from_planes(planes)
}

fn value_noise(s: &SceneSettings, cell: f32, dice: &mut Dice) -> Plane {
    let (gw, gh) = (
        (s.width as f32 / cell) as usize + 3,
        (s.height as f32 / cell) as usize + 3,
    );
    let grid: Vec<f32> = (0..gw * gh).map(|_| dice.unit()).collect();
    let ease = |t: f32| t * t * (3.0 - 2.0 * t);
    Plane::from_fn(s.width, s.height, |x, y| {
        let (u, v) = (x as f32 / cell, y as f32 / cell);
        let (i, j) = (u as usize, v as usize);
        let (a, b) = (ease(u - i as f32), ease(v - j as f32));
        let g = |i: usize, j: usize| grid[j * gw + i];
        let top = g(i, j) * (1.0 - a) + g(i + 1, j) * a;
        let low = g(i, j + 1) * (1.0 - a) + g(i + 1, j + 1) * a;
        top * (1.0 - b) + low * b
    })
}

/// Star light as trails (for the fixed camera) and sky with round stars (for the tracked one).
fn star_layers(s: &SceneSettings, sky: &Rgb, dice: &mut Dice) -> (Rgb, Rgb) {
    let mut trails = Rgb::filled(s.width, s.height, [0.0; 3]);
    let mut stars = sky.clone();
    let count = s.width * s.height / 900;
    for _ in 0..count {
        let p = [
            dice.between(0.0, s.width as f32),
            dice.between(0.0, s.height as f32),
        ];
        let flux = 0.06 * dice.unit().max(0.002).powf(-0.8);
        let tint = [dice.between(0.8, 1.2), 1.0, dice.between(0.8, 1.2)];
        let steps = (s.trail_px * 2.0).ceil().max(1.0) as usize;
        for k in 0..steps {
            let t = (k as f32 + 0.5) / steps as f32 - 0.5;
            let q = [p[0] + s.trail_px * t * 0.9, p[1] + s.trail_px * t * 0.44];
            splat(
                &mut trails,
                q,
                tint.map(|v| v * flux * s.trail_left / steps as f32),
            );
        }
        splat(&mut stars, p, tint.map(|v| v * flux));
    }
    (trails, stars)
}

/// Adds a round star image of sigma 1 px.
fn splat(picture: &mut Rgb, p: [f32; 2], flux: [f32; 3]) {
    let (w, h) = (picture.width() as isize, picture.height() as isize);
    let (cx, cy) = (p[0].round() as isize, p[1].round() as isize);
    for y in cy - 4..=cy + 4 {
        for x in cx - 4..=cx + 4 {
            if (0..w).contains(&x) && (0..h).contains(&y) {
                let r2 = (x as f32 - p[0]).powi(2) + (y as f32 - p[1]).powi(2);
                let g = (-0.5 * r2).exp() / std::f32::consts::TAU;
                for (plane, f) in picture.planes_mut().iter_mut().zip(flux) {
                    *plane.at_mut(x as usize, y as usize) += f * g;
                }
            }
        }
    }
}
