//! A tiny renderer of star fields with known truth.

use nalgebra::{Rotation3, Unit, Vector3};
use nightloom_optics::Lens;
use nightloom_raster::Plane;
use nightloom_sky::Angle;
use nightloom_stars::Star;

/// SplitMix64 (Steele, Lea & Flood 2014).
pub(crate) struct Random(pub(crate) u64);

impl Random {
    pub(crate) fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }
    /// Uniform in 0 to 1.
    pub(crate) fn unit(&mut self) -> f64 {
        (self.bits() >> 11) as f64 / (1u64 << 53) as f64
    }
    pub(crate) fn range(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }
    /// Standard normal (Box & Muller 1958).
    pub(crate) fn normal(&mut self) -> f64 {
        let r = (-2.0 * (1.0 - self.unit()).ln()).sqrt();
        r * (std::f64::consts::TAU * self.unit()).cos()
    }
    /// A direction uniform on the sphere.
    pub(crate) fn direction(&mut self) -> Vector3<f64> {
        loop {
            let v = Vector3::new(
                self.range(-1.0, 1.0),
                self.range(-1.0, 1.0),
                self.range(-1.0, 1.0),
            );
            if v.norm() > 0.1 && v.norm() < 1.0 {
                return v.normalize();
            }
        }
    }
    /// A flux with the sky's star counts: N(>F) ∝ F^−1.2, from `faintest` up.
    pub(crate) fn flux(&mut self, faintest: f64) -> f64 {
        faintest * (1.0 - self.unit()).powf(-1.0 / 1.2)
    }
}

/// Electrons at saturation in the rendered frames.
pub(crate) const FULL_WELL: f64 = 20_000.0;

/// One star to paint: where, how bright (electrons), how far drawn out.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Source {
    pub(crate) x: f64,
    pub(crate) y: f64,
    pub(crate) electrons: f64,
}

/// What is common to all stars of a frame.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Look {
    pub(crate) sigma: f64,
    /// Length and direction (radians from +x towards +y) of the trail.
    pub(crate) trail: (f64, f64),
    pub(crate) sky_electrons: f64,
    pub(crate) read_noise: f64,
}

impl Default for Look {
    fn default() -> Self {
        Self {
            sigma: 1.1,
            trail: (0.0, 0.0),
            sky_electrons: 300.0,
            read_noise: 3.0,
        }
    }
}

/// Paints noiseless electrons.
pub(crate) fn paint(width: usize, height: usize, sources: &[Source], look: &Look) -> Plane {
    let mut plane = Plane::filled(width, height, look.sky_electrons as f32);
    let steps = (look.trail.0 * 2.0).ceil() as usize + 1;
    let (s, c) = look.trail.1.sin_cos();
    for source in sources {
        for step in 0..steps {
            let t = if steps > 1 {
                (step as f64 / (steps - 1) as f64 - 0.5) * look.trail.0
            } else {
                0.0
            };
            blob(
                &mut plane,
                source.x + t * c,
                source.y + t * s,
                source.electrons / steps as f64,
                look.sigma,
            );
        }
    }
    plane
}

/// A Gaussian averaged over 3 × 3 points of each pixel.
fn blob(plane: &mut Plane, x: f64, y: f64, electrons: f64, sigma: f64) {
    let reach = 6.0 * sigma;
    let range = |v: f64, n: usize| {
        (
            (v - reach).ceil().max(0.0) as usize,
            (v + reach).floor().clamp(-1.0, n as f64 - 1.0) as isize,
        )
    };
    let profile = |at: usize, v: f64| {
        [-1.0, 0.0, 1.0]
            .iter()
            .map(|o| (-0.5 * ((at as f64 + o / 3.0 - v) / sigma).powi(2)).exp())
            .sum::<f64>()
            / (3.0 * sigma * (std::f64::consts::TAU).sqrt())
    };
    let (x0, x1) = range(x, plane.width());
    let (y0, y1) = range(y, plane.height());
    for py in y0 as isize..=y1 {
        let py = py as usize;
        let wy = electrons * profile(py, y);
        for px in x0 as isize..=x1 {
            *plane.at_mut(px as usize, py) += (wy * profile(px as usize, x)) as f32;
        }
    }
}

/// Adds photon and read noise and scales to saturation 1.
pub(crate) fn expose(mut plane: Plane, look: &Look, random: &mut Random) -> Plane {
    for value in plane.data_mut() {
        let electrons = f64::from(*value);
        let seen = electrons + random.normal() * (electrons.max(0.0) + look.read_noise.powi(2)).sqrt();
        *value = (seen / FULL_WELL).min(1.0) as f32;
    }
    plane
}

/// A sky of random stars (direction, electrons), brightest first.
pub(crate) fn sky(random: &mut Random, count: usize, faintest: f64) -> Vec<(Vector3<f64>, f64)> {
    let mut stars: Vec<(Vector3<f64>, f64)> = (0..count)
        .map(|_| (random.direction(), random.flux(faintest)))
        .collect();
    stars.sort_by(|a, b| b.1.total_cmp(&a.1));
    stars
}

/// Stars of the sky in a frame, with the index of each in the sky.
pub(crate) fn seen(
    stars: &[(Vector3<f64>, f64)],
    attitude: &Rotation3<f64>,
    lens: &Lens,
    (width, height): (usize, usize),
) -> Vec<(usize, Source)> {
    stars
        .iter()
        .enumerate()
        .filter_map(|(i, (d, electrons))| {
            let [x, y] = lens.project(&(attitude * d))?;
            let inside = x > 2.0 && y > 2.0 && x < width as f64 - 3.0 && y < height as f64 - 3.0;
            inside.then_some((
                i,
                Source {
                    x,
                    y,
                    electrons: *electrons,
                },
            ))
        })
        .collect()
}

/// A list star without pixels.
pub(crate) fn listed(x: f64, y: f64, flux: f64) -> Star {
    Star {
        x,
        y,
        flux: flux as f32,
        peak: 0.1,
        fwhm_px: 2.5,
        elongation: 1.05,
        angle: Angle::from_rad(0.0),
        saturated: false,
        snr: 50.0,
    }
}

/// So many list stars strewn by chance over 3000 × 2000 pixels, the brightest first.
pub(crate) fn strewn(random: &mut Random, count: usize) -> Vec<Star> {
    let one = |_| {
        listed(
            random.range(0.0, 3000.0),
            random.range(0.0, 2000.0),
            random.flux(500.0),
        )
    };
    let mut stars: Vec<Star> = (0..count).map(one).collect();
    stars.sort_by(|a, b| b.flux.total_cmp(&a.flux));
    stars
}

/// Turns by `angle_deg` about `axis`.
pub(crate) fn turn(axis: Vector3<f64>, angle_deg: f64) -> Rotation3<f64> {
    Rotation3::from_axis_angle(&Unit::new_normalize(axis), angle_deg.to_radians())
}

/// The lens of the tests: 24 mm on 5.95 µm with barrel distortion, scaled to `width`.
pub(crate) fn wide_lens(width: usize, height: usize) -> Lens {
    let mut lens = Lens::rectilinear(0.672 * width as f64, width, height);
    lens.centre_px[0] += 0.002 * width as f64;
    lens.radial = [-0.05, 0.012, 0.0];
    lens
}
