//! The stars of the field: the catalogue's, and a made-up population of fainter ones.

use nalgebra::{Matrix3, Vector3};
use nightloom_optics::Lens;
use nightloom_sky::{Angle, Instant, airmass_pickering, catalogue, extinction_factor};
use rayon::prelude::*;

use crate::colour::StarColours;
use crate::milky_way::Galaxy;
use crate::role::ShotRole;
use crate::scenario::Scenario;
use crate::sensor::{Optics, PHOTONS_OF_V0, THROUGHPUT};
use crate::shots::Shot;
use crate::splat::Trail;
use nightloom_fit::Random;

/// Synthetic stars are numbered from here; catalogue stars by their Hipparcos number.
pub(crate) const FIRST_SYNTHETIC: u32 = 1_000_000;
/// Stars of the whole sky brighter than V = 8, from the catalogue itself.
const STARS_TO_8: f64 = 41_300.0;
/// Growth of their number with magnitude, dex (all-sky counts give 0.43 to 0.5; from memory).
const SLOPE: f64 = 0.45;
/// Half the width of the cap that is peopled, about the sky frames' first centre.
const CAP: f64 = 62.0;

/// A star that shines.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Star {
    pub(crate) id: u32,
    pub(crate) icrs: Vector3<f64>,
    pub(crate) v_mag: f64,
    pub(crate) b_v: f32,
}

/// All stars that may be seen, brightest first.
pub(crate) fn stars(scenario: &Scenario, galaxy: &Galaxy) -> Vec<Star> {
    let centre = cap_centre(scenario);
    let inside = Angle::from_deg(CAP).cos();
    let mut stars: Vec<Star> = catalogue::stars()
        .par_iter()
        .map(|s| Star {
            id: s.hip,
            icrs: s.direction(scenario.start).into_inner(),
            v_mag: f64::from(s.v_mag),
            b_v: s.b_v,
        })
        .filter(|s| s.icrs.dot(&centre) > inside)
        .collect();
    stars.extend(synthetic(scenario, galaxy, &centre));
    stars.sort_by(|a, b| a.v_mag.total_cmp(&b.v_mag).then(a.id.cmp(&b.id)));
    stars
}

fn cap_centre(scenario: &Scenario) -> Vector3<f64> {
    let middle = scenario
        .start
        .plus_seconds(scenario.counts.sky as f64 * scenario.sky_exposure.seconds / 2.0);
    let forward = crate::shots::aimed(scenario.sky_aim).inverse() * Vector3::z();
    scenario.site.ground_from_icrs(middle).inverse() * forward
}

/// The faintest synthetic star at this size: a pixel half as wide shows fainter stars.
pub(crate) fn faintest(scenario: &Scenario) -> f64 {
    scenario.faintest_mag + 2.5 * (scenario.size.pixels().0 as f64 / 3000.0).log10()
}

fn synthetic(scenario: &Scenario, galaxy: &Galaxy, centre: &Vector3<f64>) -> Vec<Star> {
    const CHUNK: usize = 4096;
    /// Densest place over the mean of the sky.
    const CROWDING: f64 = 5.0;
    let faintest = faintest(scenario);
    let all_sky = STARS_TO_8 * (10f64.powf(SLOPE * (faintest - 8.0)) - 1.0);
    let cap = (1.0 - Angle::from_deg(CAP).cos()) / 2.0;
    let tries = (all_sky.max(0.0) * cap * CROWDING) as usize;
    let frame = basis(centre);
    let chunks: Vec<Vec<Star>> = (0..tries.div_ceil(CHUNK))
        .into_par_iter()
        .map(|chunk| {
            let mut random = Random::stream(scenario.seed, 0x57a2, chunk as u64);
            let mut found = Vec::new();
            for i in 0..CHUNK.min(tries - chunk * CHUNK) {
                let icrs = frame * in_cap(&mut random, Angle::from_deg(CAP).cos());
                let way = galaxy.at(&icrs, false);
                let crowd = 0.34 + 0.64 * way.starlight.min(4.9);
                let keep = random.chance(crowd / CROWDING);
                let v_mag = magnitude(random.uniform(), faintest);
                let b_v = colour(&mut random) + 0.12 * way.dust as f32;
                if keep {
                    let id = FIRST_SYNTHETIC + (chunk * CHUNK + i) as u32;
                    found.push(Star { id, icrs, v_mag, b_v });
                }
            }
            found
        })
        .collect();
    chunks.concat()
}

/// A magnitude between 8 and `faintest` with counts growing by [`SLOPE`].
fn magnitude(u: f64, faintest: f64) -> f64 {
    let low = 1.0;
    let high = 10f64.powf(SLOPE * (faintest - 8.0));
    8.0 + (low + (high - low) * u).log10() / SLOPE
}

fn colour(random: &mut Random) -> f32 {
    let giant = random.chance(0.38);
    let (mean, spread) = if giant { (1.08, 0.2) } else { (0.48, 0.24) };
    (mean + spread * random.normal()) as f32
}

fn in_cap(random: &mut Random, cos: f64) -> Vector3<f64> {
    let z = random.between(cos, 1.0);
    let (sin, cos) = (random.uniform() * std::f64::consts::TAU).sin_cos();
    let r = (1.0 - z * z).sqrt();
    Vector3::new(r * cos, r * sin, z)
}

fn basis(z: &Vector3<f64>) -> Matrix3<f64> {
    let helper = if z.z.abs() < 0.9 {
        Vector3::z()
    } else {
        Vector3::x()
    };
    let x = helper.cross(z).normalize();
    Matrix3::from_columns(&[x, z.cross(&x), *z])
}

/// The camera at one moment of an exposure.
pub(crate) struct CameraView {
    ground_from_icrs: Matrix3<f64>,
    pub(crate) camera_from_ground: Matrix3<f64>,
}

impl CameraView {
    pub(crate) fn of(scenario: &Scenario, shot: &Shot, seconds: f64) -> Self {
        Self::new(
            scenario,
            shot.start.plus_seconds(seconds),
            &shot.camera_from_ground(seconds),
        )
    }
    pub(crate) fn new(scenario: &Scenario, at: Instant, camera: &nalgebra::Rotation3<f64>) -> Self {
        Self {
            ground_from_icrs: *scenario.site.ground_from_icrs(at).matrix(),
            camera_from_ground: *camera.matrix(),
        }
    }
    /// Apparent direction in the ground frame, refraction in.
    pub(crate) fn apparent(&self, scenario: &Scenario, icrs: &Vector3<f64>) -> Vector3<f64> {
        scenario.air.lift(&(self.ground_from_icrs * icrs))
    }
    pub(crate) fn pixel(&self, lens: &Lens, apparent: &Vector3<f64>) -> Option<[f64; 2]> {
        lens.project(&(self.camera_from_ground * apparent))
    }
    /// Apparent direction in the ground frame and true direction in ICRS of a pixel.
    pub(crate) fn looks(
        &self,
        scenario: &Scenario,
        lens: &Lens,
        pixel: [f64; 2],
    ) -> Option<[Vector3<f64>; 2]> {
        let apparent = self.camera_from_ground.transpose() * lens.unproject(pixel)?.into_inner();
        Some([
            apparent,
            self.ground_from_icrs.transpose() * scenario.air.lower(&apparent),
        ])
    }
}

/// What a star does in a frame.
#[derive(Clone, Debug)]
pub(crate) struct Seen {
    pub(crate) star: usize,
    pub(crate) trail: Trail,
    /// Mean place over the exposure.
    pub(crate) at: [f64; 2],
}

/// A stretch of an exposure over which the camera moves smoothly: from, to (seconds).
pub(crate) fn stretches(shot: &Shot) -> Vec<[f64; 2]> {
    let seconds = shot.exposure.seconds;
    match shot.bumped() {
        Some(at) => vec![[0.0, at - 1e-6], [at, seconds]],
        None => vec![[0.0, seconds]],
    }
}

/// Stars drawn through lens and air over a stretch of an exposure.
pub(crate) struct Drawing<'a> {
    pub(crate) scenario: &'a Scenario,
    pub(crate) optics: &'a Optics,
    pub(crate) colours: &'a StarColours,
}

impl Drawing<'_> {
    /// Width σ of the image core: FWHM 1.45 px of optics and seeing at 3000 across and 2.0 at 6000 (the
    /// pixel's own width makes it 1.8 and 2.2).
    pub(crate) fn core_sigma(&self) -> f64 {
        let width = self.scenario.size.pixels().0 as f64;
        let usual = (1.45 + (width / 3000.0).log2() * 0.55).max(1.0);
        self.scenario.star_px.unwrap_or(usual) / 2.3548
    }

    /// The light of every star in view while `views` (equally spaced moments) last `seconds`. The light
    /// is what an evenly lit frame has been divided out of: per axis pixel's solid angle.
    pub(crate) fn trails(&self, stars: &[Star], views: &[CameraView], seconds: f64) -> Vec<Seen> {
        let (width, height) = self.scenario.size.pixels();
        let margin = 40.0;
        let inside = |p: &[f64; 2]| {
            p[0] > -margin && p[1] > -margin && p[0] < width as f64 + margin && p[1] < height as f64 + margin
        };
        stars
            .par_iter()
            .enumerate()
            .filter_map(|(i, star)| {
                let first = views[0].apparent(self.scenario, &star.icrs);
                let quick = views[0].camera_from_ground.row(2).transpose().dot(&first);
                if quick < 0.5 || first.z < -0.02 {
                    return None;
                }
                let places: Option<Vec<_>> = views
                    .iter()
                    .map(|v| v.pixel(&self.optics.lens, &v.apparent(self.scenario, &star.icrs)))
                    .collect();
                let places = places?;
                places
                    .iter()
                    .any(inside)
                    .then(|| self.seen(i, star, &places, first.z, seconds))
            })
            .collect()
    }

    fn seen(&self, index: usize, star: &Star, places: &[[f64; 2]], sin_altitude: f64, seconds: f64) -> Seen {
        let n = places.len() as f64;
        let at = [0, 1].map(|i| places.iter().map(|p| p[i]).sum::<f64>() / n);
        let light = self
            .electrons_per_second(star, sin_altitude)
            .map(|c| (c * seconds / self.optics.solid_angle(at).max(0.05)) as f32);
        let trail = Trail {
            knots: places.iter().map(|p| [p[0] as f32, p[1] as f32]).collect(),
            light,
            sigma: (self.core_sigma() * (1.0 + 0.18 * self.optics.field(at).powi(2))) as f32,
            coma: self.coma(at),
            flash: None,
        };
        Seen {
            star: index,
            trail,
            at,
        }
    }

    /// Electrons a second in R, G, B on the axis, through the air.
    pub(crate) fn electrons_per_second(&self, star: &Star, sin_altitude: f64) -> [f64; 3] {
        let airmass = airmass_pickering(Angle::from_rad(sin_altitude.clamp(-1.0, 1.0).asin()));
        let v0 = PHOTONS_OF_V0 * self.optics.area_cm2 * THROUGHPUT * 10f64.powf(-0.4 * star.v_mag);
        // Extinction grows to the blue about as λ^−1.6 where haze and Rayleigh scattering share.
        let per_filter =
            [0.80, 1.0, 1.38].map(|k| extinction_factor(k * self.scenario.extinction_mag, airmass));
        let colour = self.colours.at(f64::from(star.b_v));
        std::array::from_fn(|i| v0 * colour[i] * per_filter[i])
    }

    fn coma(&self, at: [f64; 2]) -> [f32; 2] {
        let field = self.optics.field(at);
        if field < 0.35 {
            return [0.0; 2];
        }
        let longest = 3.4 * self.scenario.size.pixels().0 as f64 / 6000.0;
        let length = longest * ((field - 0.35) / 0.65).powi(2);
        let [cx, cy] = self.optics.lens.centre_px;
        let r = (at[0] - cx).hypot(at[1] - cy);
        [
            ((at[0] - cx) / r * length) as f32,
            ((at[1] - cy) / r * length) as f32,
        ]
    }
}

/// Moments at which a shot's stars are placed: enough to follow the curve.
pub(crate) fn knots(role: ShotRole) -> usize {
    if role == ShotRole::Land { 9 } else { 5 }
}
