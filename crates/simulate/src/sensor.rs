//! The sensor, and what lens and dust let through to each pixel.

use nightloom_optics::Lens;
use nightloom_raster::{Cfa, Plane};
use rayon::prelude::*;

use crate::scenario::Scenario;
use nightloom_fit::Random;

/// Photons a second and square centimetre from a star of V = 0 over the V band.
/// Handbooks give about 9e5 (from memory).
pub(crate) const PHOTONS_OF_V0: f64 = 9e5;
/// Transmission times quantum efficiency of the green pixels.
pub(crate) const THROUGHPUT: f64 = 0.4;

const BLACK: f64 = 512.0;
const WHITE: f64 = 16_383.0;
/// Electrons a square micrometre holds at ISO 100.
const FULL_WELL_PER_UM2: f64 = 1500.0;
/// Read noise of a 6 µm pixel at ISO 800, electrons. Larger pixels read as if binned.
const READ_NOISE_E: f64 = 2.4;
/// Mean dark current of a 6 µm pixel, electrons a second.
const DARK_E_S: f64 = 0.012;
/// Hot pixels of a 24-megapixel sensor.
const HOT_PIXELS: f64 = 9000.0;
/// Pixel-to-pixel spread of sensitivity.
const PRNU: f64 = 0.004;

/// What turns light into numbers.
#[derive(Clone, Debug, serde::Serialize)]
pub(crate) struct Sensor {
    pub(crate) width: usize,
    pub(crate) height: usize,
    pub(crate) pitch_um: f64,
    pub(crate) cfa: Cfa,
    pub(crate) black: f64,
    pub(crate) white: f64,
    pub(crate) read_noise_e: f64,
    pub(crate) dark_e_s: f64,
    pub(crate) full_well_iso100_e: f64,
}

impl Sensor {
    pub(crate) fn new(scenario: &Scenario) -> Self {
        let (width, height) = scenario.size.pixels();
        let pitch_um = scenario.pitch_mm() * 1000.0;
        let binned = pitch_um / 6.0;
        Self {
            width,
            height,
            pitch_um,
            cfa: scenario.filters.cfa(),
            black: BLACK,
            white: WHITE,
            read_noise_e: READ_NOISE_E * binned,
            dark_e_s: DARK_E_S * binned * binned,
            full_well_iso100_e: FULL_WELL_PER_UM2 * pitch_um * pitch_um,
        }
    }

    /// Electrons a raw step stands for.
    pub(crate) fn gain(&self, iso: f64) -> f64 {
        self.saturation_e(iso) / (self.white - self.black)
    }
    /// Electrons at which the raw value saturates.
    pub(crate) fn saturation_e(&self, iso: f64) -> f64 {
        self.full_well_iso100_e * 100.0 / iso
    }
}

/// Hot pixels: index into the plane and electrons a second, sorted by index.
pub(crate) fn hot_pixels(sensor: &Sensor, seed: u64) -> Vec<(usize, f64)> {
    let pixels = sensor.width * sensor.height;
    let count = (HOT_PIXELS * pixels as f64 / 24e6).round() as usize;
    let binned = (sensor.pitch_um / 6.0).powi(2);
    let mut random = Random::stream(seed, 0x4075, 0);
    let mut hot: Vec<_> = (0..count)
        .map(|_| {
            let at = (random.uniform() * pixels as f64) as usize;
            (at, binned.sqrt() * (1.0 + 1.6 * random.normal()).exp())
        })
        .collect();
    hot.sort_by_key(|&(at, _)| at);
    hot.dedup_by_key(|&mut (at, _)| at);
    hot
}

/// Light that reaches a pixel, by where on the sensor it lies.
pub(crate) struct Optics {
    pub(crate) lens: Lens,
    /// Aperture area, cm².
    pub(crate) area_cm2: f64,
    corner_px: f64,
    dust: Vec<Speck>,
    prnu_seed: u64,
}

#[derive(Clone, Copy, Debug, serde::Serialize)]
pub(crate) struct Speck {
    pub(crate) at_px: [f64; 2],
    pub(crate) radius_px: f64,
    pub(crate) depth: f64,
}

impl Optics {
    pub(crate) fn new(scenario: &Scenario, f_number: f64) -> Self {
        let (width, height) = scenario.size.pixels();
        let diameter_cm = scenario.focal_mm / f_number / 10.0;
        let mut random = Random::stream(scenario.seed, 0xd057, 0);
        let unit = width as f64 / 6000.0;
        let dust = (0..9)
            .map(|_| Speck {
                at_px: [random.uniform() * width as f64, random.uniform() * height as f64],
                radius_px: (random.between(16.0, 60.0) * unit).max(2.5),
                depth: random.between(0.03, 0.12),
            })
            .collect();
        Self {
            lens: scenario.lens(),
            area_cm2: std::f64::consts::PI / 4.0 * diameter_cm * diameter_cm,
            corner_px: (width as f64).hypot(height as f64) / 2.0,
            dust,
            prnu_seed: scenario.seed,
        }
    }

    pub(crate) fn dust(&self) -> &[Speck] {
        &self.dust
    }

    /// Distance from the principal point in units of the half diagonal.
    pub(crate) fn field(&self, pixel: [f64; 2]) -> f64 {
        let [cx, cy] = self.lens.centre_px;
        (pixel[0] - cx).hypot(pixel[1] - cy) / self.corner_px
    }

    /// What is left of a star's light at this pixel, 1 on the axis: the aperture seen aslant (cos θ)
    /// and clipped by the barrel.
    pub(crate) fn for_stars(&self, pixel: [f64; 2]) -> f64 {
        let cos = self.lens.unproject(pixel).map_or(0.0, |d| d.z);
        let h = self.field(pixel);
        let barrel = 1.0 - 0.30 * h.powi(4) / (0.35 + h.powi(4));
        cos.max(0.0) * barrel
    }

    /// Solid angle that a pixel sees, over that on the axis: cos³θ for a rectilinear lens, and what
    /// distortion makes of it.
    pub(crate) fn solid_angle(&self, pixel: [f64; 2]) -> f64 {
        let [x, y] = pixel;
        let looks = |x: f64, y: f64| self.lens.unproject([x, y]).map(nalgebra::Unit::into_inner);
        let corners = (
            looks(x + 0.5, y),
            looks(x - 0.5, y),
            looks(x, y + 0.5),
            looks(x, y - 0.5),
        );
        let (Some(right), Some(left), Some(below), Some(above)) = corners else {
            return 0.0;
        };
        (right - left).cross(&(below - above)).norm() * self.lens.focal_px * self.lens.focal_px
    }

    /// What is left of an even surface at each pixel, 1 on the axis, dust and pixel sensitivity in.
    pub(crate) fn response(&self, width: usize, height: usize) -> Plane {
        let table: Vec<f64> = (0..=1024)
            .map(|i| self.even_surface(f64::from(i) / 1024.0 * 1.05))
            .collect();
        let [cx, cy] = self.lens.centre_px;
        let mut plane = Plane::filled(width, height, 0.0);
        plane
            .data_mut()
            .par_chunks_mut(width)
            .enumerate()
            .for_each(|(y, row)| {
                let mut random = Random::stream(self.prnu_seed, 0x9271, y as u64);
                let dy = y as f64 - cy;
                for (x, value) in row.iter_mut().enumerate() {
                    let at = (x as f64 - cx).hypot(dy) / self.corner_px / 1.05 * 1024.0;
                    let i = (at as usize).min(1023);
                    let even = table[i] + (table[i + 1] - table[i]) * (at - i as f64);
                    *value = (even * self.through_dust(x as f64, y as f64) * (1.0 + PRNU * random.normal()))
                        as f32;
                }
            });
        plane
    }

    /// The same along the half diagonal, without dust.
    pub(crate) fn even_surface(&self, field: f64) -> f64 {
        let [cx, cy] = self.lens.centre_px;
        let pixel = [
            cx + field * self.corner_px * 0.8,
            cy + field * self.corner_px * 0.6,
        ];
        self.for_stars(pixel) * self.solid_angle(pixel)
    }

    fn through_dust(&self, x: f64, y: f64) -> f64 {
        let shade = |s: &Speck| {
            let r = (x - s.at_px[0]).hypot(y - s.at_px[1]) / s.radius_px;
            if r > 1.6 {
                1.0
            } else {
                1.0 - s.depth * (-r.powi(4)).exp()
            }
        };
        self.dust.iter().map(shade).product()
    }
}
