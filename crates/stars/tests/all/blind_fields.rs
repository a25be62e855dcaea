//! Lists of stars as a camera might report them, made of the catalogue.

use nalgebra::{Rotation3, Unit, Vector3};
use nightloom_optics::Lens;
use nightloom_sky::{Angle, Instant, catalogue};
use nightloom_stars::{BlindIdentification, Star};

/// Error of a centre, pixels, one axis.
const CENTRE_PX: f64 = 0.2;
/// Error of a magnitude.
const MAGNITUDE: f64 = 0.25;

/// When the simulated pictures were taken.
#[allow(non_snake_case, reason = "a constant but for the parsing")]
pub(crate) fn WHEN() -> Instant {
    #[allow(clippy::unwrap_used, reason = "a literal")]
    "2026-08-12T22:00:00Z".parse().unwrap()
}

/// One simulated picture.
pub(crate) struct Simulated {
    pub(crate) stars: Vec<Star>,
    pub(crate) size_px: [usize; 2],
    pub(crate) focal_mm: f64,
    pub(crate) lens: Lens,
    pub(crate) attitude: Rotation3<f64>,
    pub(crate) mirrored: bool,
    pub(crate) land: bool,
    /// Stars of the catalogue among the first hundred.
    pub(crate) known: usize,
}

/// Xorshift64* (Vigna 2016).
struct Random(u64);

impl Random {
    fn unit(&mut self) -> f64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        (self.0.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 11) as f64 / (1u64 << 53) as f64
    }
    fn range(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }
    fn normal(&mut self) -> f64 {
        (-2.0 * (1.0 - self.unit()).ln()).sqrt() * (std::f64::consts::TAU * self.unit()).cos()
    }
}

/// A sensor of 36 × 24 mm with 24 Mpx behind a lens of 12 to 200 mm that bends its corners by up to
/// 2 %; any part of the sky, any roll; faint stars missing from a limit between 6.5 and 10 mag on, a
/// tenth of the brightest missing; land over a third of every second frame, with its false stars; up to
/// half of the detections false, as bright as stars are; every tenth frame mirrored.
pub(crate) fn simulate(number: u64, seed: u64) -> Simulated {
    let mut random = Random((seed << 20) ^ (number.wrapping_add(1)).wrapping_mul(0x9E37_79B9_7F4A_7C15));
    for _ in 0..8 {
        random.unit();
    }
    let size_px = [6000, 4000];
    let focal_mm = 12.0 * (200.0f64 / 12.0).powf(random.unit());
    let lens = lens(&mut random, focal_mm, size_px);
    let attitude = attitude(&mut random);
    let land = number.is_multiple_of(2);
    let mirrored = number % 10 == 9;
    // A longer lens has the wider opening, so its limit lies deeper; less so under thin cloud.
    let limit = random.range(6.5, 8.0) + 2.0 * (focal_mm / 12.0).log10();
    let edge = [random.range(0.0, 6000.0), random.range(-0.2, 0.2)];
    let sky = |x: f64, y: f64| !land || y < 4000.0 * 0.66 + edge[1] * (x - edge[0]);
    let mut seen: Vec<(Star, bool)> = catalogue::stars()
        .iter()
        .filter(|s| f64::from(s.v_mag) < limit)
        .filter_map(|s| {
            let [x, y] = lens.project(&(attitude * s.direction(WHEN()).into_inner()))?;
            let inside = x > 0.0 && y > 0.0 && x < 5999.0 && y < 3999.0 && sky(x, y);
            (inside && random.unit() > 0.1).then(|| {
                let v = f64::from(s.v_mag) + MAGNITUDE * random.normal();
                let (dx, dy) = (CENTRE_PX * random.normal(), CENTRE_PX * random.normal());
                (listed(x + dx, y + dy, v), true)
            })
        })
        .collect();
    add_false(&mut random, &mut seen, limit, focal_mm, &sky);
    seen.sort_by(|a, b| b.0.flux.total_cmp(&a.0.flux));
    seen.truncate(2000);
    let known = seen.iter().take(100).filter(|s| s.1).count();
    let mut stars: Vec<Star> = seen.into_iter().map(|s| s.0).collect();
    if mirrored {
        for s in &mut stars {
            s.x = 5999.0 - s.x;
        }
    }
    Simulated {
        stars,
        size_px,
        focal_mm,
        lens,
        attitude,
        mirrored,
        land,
        known,
    }
}

/// Stars fainter than the catalogue, then what is no star at all.
fn add_false(
    random: &mut Random,
    seen: &mut Vec<(Star, bool)>,
    limit: f64,
    focal_mm: f64,
    sky: &impl Fn(f64, f64) -> bool,
) {
    let degrees2 = (36.0 / focal_mm).atan().to_degrees() * (24.0 / focal_mm).atan().to_degrees();
    // One star to a square degree down to V = 8, thrice as many each magnitude on.
    let fainter = (degrees2 * (10f64.powf(0.48 * (limit - 8.0)) - 1.0)).clamp(0.0, 2000.0) as usize;
    for _ in 0..fainter {
        let v = 8.0 + (1.0 + random.unit() * (10f64.powf(0.48 * (limit - 8.0)) - 1.0)).log10() / 0.48;
        push(random, seen, v, true, sky);
    }
    let count = (seen.len() as f64 * random.range(0.0, 1.0)) as usize;
    let magnitudes: Vec<f32> = seen.iter().map(|s| s.0.flux).collect();
    for _ in 0..count {
        let flux = magnitudes[(random.unit() * magnitudes.len() as f64) as usize];
        push(random, seen, -2.5 * f64::from(flux).log10(), false, sky);
    }
}

fn push(
    random: &mut Random,
    seen: &mut Vec<(Star, bool)>,
    v: f64,
    only_sky: bool,
    sky: &impl Fn(f64, f64) -> bool,
) {
    let (x, y) = (random.range(0.0, 5999.0), random.range(0.0, 3999.0));
    if !only_sky || sky(x, y) {
        seen.push((listed(x, y, v), false));
    }
}

fn lens(random: &mut Random, focal_mm: f64, [width, height]: [usize; 2]) -> Lens {
    let mut lens = Lens::rectilinear(focal_mm / 0.006, width, height);
    let corner = (3000f64.hypot(2000.0) / lens.focal_px).powi(2);
    // In focal lengths of the undistorted picture, which is only nearly the corner's own.
    lens.radial[0] = random.range(-0.02, 0.01) / corner;
    lens.centre_px[0] += 8.0 * random.normal();
    lens.centre_px[1] += 8.0 * random.normal();
    lens
}

fn attitude(random: &mut Random) -> Rotation3<f64> {
    let mut turn = || {
        let axis = Vector3::new(random.normal(), random.normal(), random.normal());
        let angle = random.range(0.0, std::f64::consts::PI);
        Rotation3::from_axis_angle(&Unit::new_normalize(axis), angle)
    };
    turn() * turn()
}

fn listed(x: f64, y: f64, v: f64) -> Star {
    Star {
        x,
        y,
        flux: 10f64.powf(-0.4 * v) as f32,
        peak: 0.1,
        fwhm_px: 2.5,
        elongation: 1.05,
        angle: Angle::from_rad(0.0),
        saturated: false,
        snr: 50.0,
    }
}

/// An answer against the truth.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Errors {
    /// Where the picture's middle points, arcseconds.
    pub(crate) pointing_arcsec: f64,
    /// Of the focal length, as a part of it.
    pub(crate) focal_share: f64,
}

pub(crate) fn judge(field: &Simulated, found: &BlindIdentification) -> Errors {
    let middle = [2999.5, 1999.5];
    let far = Errors {
        pointing_arcsec: f64::INFINITY,
        focal_share: 1.0,
    };
    let (Some(truth), Some(told)) = (field.lens.unproject(middle), found.direction(middle)) else {
        return far;
    };
    let truth = field.attitude.inverse() * truth.into_inner();
    Errors {
        pointing_arcsec: truth.angle(&told).to_degrees() * 3600.0,
        focal_share: (found.found.lens.focal_px / field.lens.focal_px - 1.0).abs(),
    }
}
