//! Seeded synthetic pictures with known truth.

use nightloom_raster::{Plane, Rgb};

/// SplitMix64 (Steele, Lea & Flood 2014).
pub(crate) struct Random(u64);

impl Random {
    pub(crate) fn new(seed: u64) -> Self {
        Self(seed)
    }
    pub(crate) fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }
    pub(crate) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.uniform()
    }
    /// Standard normal, Box & Muller 1958.
    pub(crate) fn normal(&mut self) -> f64 {
        let r = (-2.0 * (1.0 - self.uniform()).ln()).sqrt();
        r * (std::f64::consts::TAU * self.uniform()).cos()
    }
}

/// Adds a Gaussian star, integrated over the pixels by 5 × 5 points each.
pub(crate) fn add_star(plane: &mut Plane, x: f64, y: f64, flux: f64, fwhm: f64) {
    let s2 = 2.0 * (fwhm / 2.354_82f64).powi(2);
    let reach = (3.0 * fwhm).ceil() as isize + 2;
    // The profile is that of columns times that of rows.
    let profile = |centre: f64, most: usize| -> Vec<(usize, f64)> {
        let middle = centre.round() as isize;
        let inside = (middle - reach..=middle + reach).filter(|p| (0..most as isize).contains(p));
        let points = |p: isize| (0..5).map(move |k| p as f64 + f64::from(k) * 0.2 - 0.4 - centre);
        inside
            .map(|p| (p as usize, points(p).map(|d| (-d * d / s2).exp()).sum()))
            .collect()
    };
    let (columns, rows) = (profile(x, plane.width()), profile(y, plane.height()));
    let peak = flux / 25.0 / (std::f64::consts::PI * s2);
    for (py, row) in rows {
        for (px, column) in &columns {
            *plane.at_mut(*px, py) += (peak * column * row) as f32;
        }
    }
}

/// A straight streak of Gaussian profile through (x0, y0) under `angle` radians, endless.
#[derive(Clone, Copy)]
pub(crate) struct Streak {
    pub(crate) x0: f64,
    pub(crate) y0: f64,
    pub(crate) angle: f64,
    pub(crate) sigma_px: f64,
    pub(crate) height: f64,
}

impl Streak {
    pub(crate) fn distance(&self, x: f64, y: f64) -> f64 {
        ((x - self.x0) * self.angle.sin() - (y - self.y0) * self.angle.cos()).abs()
    }
    pub(crate) fn value(&self, x: f64, y: f64) -> f64 {
        self.height * (-0.5 * (self.distance(x, y) / self.sigma_px).powi(2)).exp()
    }
}

pub(crate) struct Star {
    pub(crate) x: f64,
    pub(crate) y: f64,
    pub(crate) flux: f64,
    pub(crate) colour: [f64; 3],
}

/// A stack's worth of frames: what the sky is, and what differs from frame to frame.
pub(crate) struct Night {
    pub(crate) width: usize,
    pub(crate) height: usize,
    pub(crate) stars: Vec<Star>,
    pub(crate) level: f64,
    pub(crate) sigma: f64,
    pub(crate) fwhm: f64,
    /// Registration error, rms per axis, px.
    pub(crate) jitter: f64,
    /// Relative scatter of the star width between frames.
    pub(crate) seeing: f64,
    pub(crate) seed: u64,
}

/// What a frame has that it should not.
#[derive(Clone, Default)]
pub(crate) struct Dirt {
    pub(crate) streaks: Vec<Streak>,
    pub(crate) hot: Vec<(usize, usize, f64)>,
}

impl Night {
    /// Frame `index`, shifted: canvas (x, y) is at (x + dx, y + dy) of the frame. Streaks are given
    /// in canvas pixels, hot pixels in the frame's own.
    pub(crate) fn frame(&self, index: u64, (dx, dy): (f64, f64), dirt: &Dirt, noise: bool) -> Rgb {
        let mut random = Random::new(self.seed * 1000 + index);
        let jitter = (random.normal() * self.jitter, random.normal() * self.jitter);
        let fwhm = self.fwhm * (1.0 + self.seeing * random.normal()).clamp(0.7, 1.5);
        let planes = [0, 1, 2].map(|c| {
            let mut plane = Plane::from_fn(self.width, self.height, |x, y| {
                let (cx, cy) = (x as f64 - dx, y as f64 - dy);
                let sky = self.level * (1.0 + 0.2 * cx / self.width as f64 - 0.1 * cy / self.height as f64);
                (sky + dirt.streaks.iter().map(|s| s.value(cx, cy)).sum::<f64>()) as f32
            });
            for star in &self.stars {
                let (x, y) = (star.x + dx + jitter.0, star.y + dy + jitter.1);
                add_star(&mut plane, x, y, star.flux * star.colour[c], fwhm);
            }
            plane
        });
        let mut rgb = Rgb::from_planes(planes);
        for plane in rgb.planes_mut() {
            for v in plane.data_mut() {
                // Photon noise goes with the square root of the light, σ is that of the sky.
                let sigma = self.sigma * (f64::from(*v) / self.level).max(0.2).sqrt();
                *v += if noise {
                    (sigma * random.normal()) as f32
                } else {
                    0.0
                };
            }
        }
        for (x, y, height) in &dirt.hot {
            for (c, plane) in rgb.planes_mut().iter_mut().enumerate() {
                *plane.at_mut(*x, *y) += (height * [1.0, 0.5, 0.3][c]) as f32;
            }
        }
        rgb
    }
}
