//! The bare ground: skylines by azimuth, and the colour of the slopes below them.

use crate::texture::{Texture, smoothstep};

/// Light on the land, in units of a sky of 22 mag/arcsec².
#[derive(Clone, Copy, Debug)]
pub(crate) struct Light {
    /// From the whole sky, on a white surface.
    pub(crate) ambient: [f64; 3],
    /// From the moon, on a white surface that faces it.
    pub(crate) moon: [f64; 3],
    /// Sine of the moon's altitude.
    pub(crate) moon_height: f64,
}

impl Light {
    /// A surface of this reflectance that faces the moon by `facing` (cosine) and sees `open` of the sky.
    pub(crate) fn on(&self, albedo: [f64; 3], facing: f64, open: f64) -> [f32; 3] {
        std::array::from_fn(|i| {
            (albedo[i] * (self.moon[i] * facing.max(0.0) + self.ambient[i] * open)) as f32
        })
    }
}

pub(super) const SNOW: [f64; 3] = [0.66, 0.68, 0.72];
pub(super) const GRASS: [f64; 3] = [0.150, 0.128, 0.078];
pub(super) const ROCK: [f64; 3] = [0.135, 0.128, 0.120];
pub(super) const HEATH: [f64; 3] = [0.070, 0.064, 0.044];
pub(super) const NEEDLES: [f64; 3] = [0.076, 0.080, 0.056];
pub(super) const BARK: [f64; 3] = [0.120, 0.104, 0.086];

/// Azimuth in the middle of the composition, degrees.
const MIDDLE: f64 = 291.0;

/// Shapes of the ground.
#[derive(Clone, Copy, Debug)]
pub(super) struct Relief {
    far: Texture,
    mid: Texture,
    near: Texture,
    detail: Texture,
}

impl Relief {
    pub(super) fn new(seed: u64) -> Self {
        let texture = |n: u64| Texture::new(seed.wrapping_mul(31).wrapping_add(n));
        Self {
            far: texture(1),
            mid: texture(2),
            near: texture(3),
            detail: texture(4),
        }
    }

    /// Altitude of the far mountains, degrees.
    pub(super) fn far(&self, azimuth: f64) -> f64 {
        let u = azimuth - MIDDLE;
        let massif = 3.0 * (-((u + 7.0) / 10.0).powi(2)).exp() + 1.6 * (-((u - 24.0) / 7.5).powi(2)).exp();
        let crests = 2.6 * self.far.ridged(azimuth / 8.5, 0.3, 0.0, 5);
        let teeth = 0.32 * self.far.fractal(azimuth / 1.1, 4.0, 0.0, 6);
        3.1 + massif + crests + teeth
    }

    /// Altitude of the ground of the wooded ridge, degrees.
    pub(super) fn mid(&self, azimuth: f64) -> f64 {
        let u = azimuth - MIDDLE;
        let sweep = 6.0 * (-((u - 38.0) / 15.0).powi(2)).exp() + 4.6 * (-((u + 40.0) / 14.0).powi(2)).exp();
        1.9 + sweep
            + 1.5 * self.mid.fractal(azimuth / 15.0, 0.0, 0.0, 3)
            + 0.35 * self.mid.fractal(azimuth / 2.6, 9.0, 0.0, 4)
    }

    /// Altitude of the meadow's far edge, degrees.
    pub(super) fn meadow(&self, azimuth: f64) -> f64 {
        -0.9 + 0.9 * self.near.fractal(azimuth / 24.0, 0.0, 0.0, 2)
            + 0.12 * self.near.fractal(azimuth / 1.4, 3.0, 0.0, 4)
    }

    /// Colour of the far mountains: rock ribs, snow in the gullies and on the heights, heath below.
    pub(super) fn far_colour(&self, light: &Light, azimuth: f64, altitude: f64) -> [f32; 3] {
        let height = |a: f64, h: f64| {
            let slant = a + 0.35 * (h - 4.0) * self.far.noise(a / 5.0, 2.0, 0.0);
            0.9 * self.detail.ridged(slant / 2.3, h / 3.6, 0.0, 6)
                + 0.22 * self.detail.fractal(a / 0.7, h / 0.7, 2.0, 3)
        };
        let e = 0.05;
        let here = height(azimuth, altitude);
        let across = (height(azimuth + e, altitude) - here) / e;
        let up = (height(azimuth, altitude + e) - here) / e;
        // The moon comes from the right behind the eye, low.
        let facing = (0.50 + 0.30 * across - 0.12 * up).clamp(0.03, 1.0);
        let line = 3.9 + 0.8 * self.far.fractal(azimuth / 3.0, 7.0, 0.0, 3);
        let drift = self.detail.fractal(azimuth / 0.9, altitude / 2.2, 5.0, 5);
        let snow = smoothstep(line, line + 2.2, altitude + 1.3 * drift) * smoothstep(0.95, 0.55, here) * 0.9;
        let heath = smoothstep(line - 0.2, line - 1.8, altitude + 0.5 * drift);
        let ground = mix(mix(ROCK, HEATH, heath), SNOW, snow);
        let lit = light.on(ground, facing * (1.0 - 0.35 * snow), 0.8);
        // Night air between: the far slopes are paler and bluer than they are.
        let veil = 0.20 + 0.10 * smoothstep(5.0, 2.0, altitude);
        std::array::from_fn(|i| (f64::from(lit[i]) * (1.0 - veil) + veil * 0.9 * light.ambient[i]) as f32)
    }

    /// Ground between the trees of the ridge.
    pub(super) fn mid_colour(&self, light: &Light, azimuth: f64, altitude: f64) -> [f32; 3] {
        let patch = self.detail.fractal(azimuth / 0.7, altitude / 0.35, 11.0, 5);
        let snow = smoothstep(0.34, 0.62, patch) * 0.6;
        let facing = 0.42 + 0.4 * self.detail.fractal(azimuth / 0.25, altitude / 0.12, 13.0, 4);
        light.on(mix(HEATH.map(|c| 0.6 * c), SNOW, snow), facing * 0.7, 0.5)
    }

    /// The meadow: dry grass, snow in the hollows, stones, seen in perspective from eye height.
    pub(super) fn meadow_colour(&self, light: &Light, azimuth: f64, altitude: f64, edge: f64) -> [f32; 3] {
        // Metres to the ground there, were it a slope falling away gently.
        let far = 1.7 / ((edge - altitude).max(0.0) + 2.2).to_radians().tan();
        let (x, y) = (far * azimuth.to_radians().sin(), far * azimuth.to_radians().cos());
        let rolling = |x: f64, y: f64| {
            2.2 * self.near.fractal(x / 9.0, y / 9.0, 1.0, 4)
                + 0.22 * self.near.fractal(x / 0.7, y / 0.7, 2.0, 3)
        };
        let e = 0.12;
        let here = rolling(x, y);
        let right = [MIDDLE.to_radians().cos(), -MIDDLE.to_radians().sin()];
        let across = (rolling(x + e * right[0], y + e * right[1]) - here) / e;
        let towards = (rolling(x - e * right[1], y + e * right[0]) - here) / e;
        let facing = (light.moon_height + 0.16 - 0.30 * across - 0.26 * towards).clamp(0.02, 0.9);
        let hollow = self.near.fractal(x / 5.0, y / 5.0, 4.0, 5);
        let blades = self
            .detail
            .fractal(azimuth / 0.10, altitude / 0.42 + azimuth * 3.0, 6.0, 4);
        let snow = smoothstep(-0.02, 0.20, hollow - 0.18 * here + 0.25 * blades);
        let stone = smoothstep(0.60, 0.72, self.detail.ridged(x / 1.6, y / 1.6, 8.0, 3)) * (1.0 - snow);
        let tufts = GRASS.map(|c| c * (1.0 + 0.75 * blades).max(0.25));
        let ground = mix(mix(tufts, ROCK, stone), SNOW, snow);
        light.on(ground, facing, 0.85)
    }
}

fn mix(a: [f64; 3], b: [f64; 3], t: f64) -> [f64; 3] {
    std::array::from_fn(|i| a[i] + (b[i] - a[i]) * t)
}
