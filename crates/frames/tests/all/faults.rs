//! Paints frames of the real sky with one known fault each: stars of the catalogue and fainter ones,
//! moved along the path the camera's fault gives, through a lens with its faults, on a noisy sensor.

#![allow(clippy::unwrap_used, reason = "shared by tests and a report")]

use nalgebra::{Rotation3, Unit, Vector3};
use nightloom_frames::Standing;
use nightloom_frames::cause::Cause;
use nightloom_optics::noise::{LightPath, sky_e_per_s, star_e_per_s};
use nightloom_optics::{Lens, level};
use nightloom_raster::{CameraColour, Frame, FrameMeta, Levels, Pixels, Plane};
use nightloom_sky::brightness::{Lights, MoonLight, SkyOverSite, SkyPatch};
use nightloom_sky::{
    EarthOrientation, Instant, Observer, Site, SolarBody, Target, catalogue, moon_phase_angle,
};

#[path = "faults_painting.rs"]
mod painting;

use painting::expose;

/// The faults painted.
pub(crate) const FAULTS: [Cause; 16] = [
    Cause::Good,
    Cause::TrackerOff,
    Cause::WrongHemisphere,
    Cause::AxisError,
    Cause::PeriodicError,
    Cause::Wind,
    Cause::Knock,
    Cause::Focus,
    Cause::Dew,
    Cause::Aberration,
    Cause::Decentred,
    Cause::Tilt,
    Cause::Cloud,
    Cause::Moon,
    Cause::UnderExposed,
    Cause::OverExposed,
];

/// Pixels of the painted sensor: 10 µm on 24 × 16 mm.
const SIZE: [usize; 2] = [2400, 1600];
const PITCH_UM: f64 = 10.0;
/// The Earth's turn, radians a second.
const OMEGA: f64 = 7.292_115e-5;

/// SplitMix64 (Steele, Lea & Flood 2014).
pub(crate) struct Random(u64);

impl Random {
    fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }
    fn unit(&mut self) -> f64 {
        (self.bits() >> 11) as f64 / (1u64 << 53) as f64
    }
    fn range(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }
    /// Even on a logarithmic scale.
    fn scale(&mut self, low: f64, high: f64) -> f64 {
        low * (high / low).powf(self.unit())
    }
    fn normal(&mut self) -> f64 {
        (-2.0 * (1.0 - self.unit()).ln()).sqrt() * (std::f64::consts::TAU * self.unit()).cos()
    }
}

/// One painted frame and what is known of it.
pub(crate) struct Painted {
    pub(crate) frame: Frame,
    pub(crate) standing: Standing,
    pub(crate) fault: Cause,
    /// How bad, in the fault's own unit.
    pub(crate) severity: String,
    pub(crate) axis_arcmin: Option<f64>,
    pub(crate) focal_mm: f64,
    pub(crate) land: bool,
}

impl std::fmt::Display for Painted {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(
            f,
            "{} ({}; axis {:?}; {:.0} mm{})",
            self.fault,
            self.severity,
            self.axis_arcmin.map(f64::round),
            self.focal_mm,
            if self.land { ", land" } else { "" },
        )
    }
}

/// What the fault does.
#[derive(Clone)]
struct Plan {
    /// Rotations of the camera against the sky during the exposure, camera frame, with weights.
    path: Vec<(Vector3<f64>, f64)>,
    /// Shift in pixels of the same steps.
    shift: Vec<[f64; 2]>,
    sigma: f64,
    blur: Blur,
    halo: (f64, f64),
    light: f64,
    sky_factor: f64,
    cloud: Option<Clouds>,
    severity: String,
    axis_arcmin: Option<f64>,
}

/// What the lens does beside its plain profile.
#[derive(Clone, Copy)]
enum Blur {
    None,
    /// A disc of this radius, with a hollow.
    Disc(f64, f64),
    /// Radius at the corner of radial and tangential spread, and comet's tail.
    Corners(f64, f64, f64),
    /// Seidel's coma, the same all over: length in pixels and direction.
    Coma(f64, f64),
    /// A disc growing along a direction: (per half diagonal, direction, offset).
    Slope(f64, f64, f64),
}

#[derive(Clone)]
struct Clouds {
    /// Blobs: place by half the diagonal, size, depth in magnitudes.
    blobs: Vec<([f64; 2], f64, f64)>,
    /// Light added per unit of opacity, in skies.
    glow: f64,
}

impl Clouds {
    fn depth(&self, p: [f64; 2]) -> f64 {
        self.blobs
            .iter()
            .map(|(c, size, depth)| {
                depth * (-0.5 * ((p[0] - c[0]).powi(2) + (p[1] - c[1]).powi(2)) / (size * size)).exp()
            })
            .sum()
    }
}

/// The common circumstances of a frame.
struct Scene {
    lens: Lens,
    attitude: Rotation3<f64>,
    focal_mm: f64,
    exposure_s: f64,
    path: LightPath,
    sky_e: f64,
    full_well: f64,
    read_e: f64,
    iso: f64,
    site: Site,
    middle: Instant,
    land: Option<[f64; 3]>,
    moon_mag: f64,
}

pub(crate) fn paint(number: u64, fault: Cause) -> Painted {
    let mut random = Random(number.wrapping_mul(0xA076_1D64_78BD_642F) ^ 0x5bd1_e995);
    for _ in 0..4 {
        random.bits();
    }
    let scene = scene(
        &mut random,
        fault,
        (number + number / FAULTS.len() as u64).is_multiple_of(3),
    );
    let plan = plan(&mut random, &scene, fault);
    let plane = expose(&mut random, &scene, &plan);
    let start = scene.middle.plus_seconds(-0.5 * scene.exposure_s);
    let told = start.to_string();
    Painted {
        frame: Frame {
            pixels: Pixels::Grey(plane),
            colour: CameraColour::default(),
            meta: FrameMeta {
                exposure_s: Some(scene.exposure_s),
                f_number: Some(scene.path.f_number),
                iso: Some(scene.iso),
                focal_mm: Some(scene.focal_mm),
                pixel_um: Some(PITCH_UM),
                taken_local: Some(told.trim_end_matches('Z').to_owned()),
                taken_offset: Some("+00:00".into()),
                ..FrameMeta::default()
            },
            levels: Levels {
                black: [0.0; 4],
                white: [16_383.0; 4],
            },
            bits: 14,
            was_linear: true,
        },
        standing: Standing {
            site: Some(scene.site),
            middle: Some(scene.middle),
        },
        fault,
        severity: plan.severity,
        axis_arcmin: plan.axis_arcmin,
        focal_mm: scene.focal_mm,
        land: scene.land.is_some(),
    }
}

/// Moonless nights and moonlit ones at 47° N; the camera looks 25° to 75° up.
fn scene(random: &mut Random, fault: Cause, land: bool) -> Scene {
    let focal_mm = random.scale(14.0, 200.0);
    let mut lens = Lens::rectilinear(focal_mm * 1e3 / PITCH_UM, SIZE[0], SIZE[1]);
    let corner = (1200f64.hypot(800.0) / lens.focal_px).powi(2);
    lens.radial[0] = random.range(-0.02, 0.01) / corner;
    let site = Site::new(47.0, 11.0, 1500.0).unwrap();
    let (middle, camera, moon_mag) = moment(random, &site, fault);
    let attitude = camera * site.ground_from_icrs(middle);
    let iso = 1600.0;
    // The nearest kind of sensor: 80 000 e at ISO 100.
    let (full_well, read_e) = (5000.0, 1.6);
    let f_number = random.scale(1.8, 4.0);
    let mut path = LightPath {
        f_number,
        pitch_um: PITCH_UM,
        qe: 0.5,
        transmission: 0.8,
    };
    let darkness = random.range(20.3, 21.8);
    let rate = sky_e_per_s(darkness - moon_mag, &path).unwrap();
    let plain = sky_e_per_s(darkness, &path).unwrap();
    // Exposed for the dark sky: two to twelve percent of saturation.
    let level = random.scale(0.02, 0.12);
    let mut exposure_s = (level * full_well / plain).clamp(8.0, 240.0);
    let pole = attitude * Vector3::z();
    let slow = (1.0 - pole.z * pole.z).sqrt().max(0.15);
    let speed = OMEGA * lens.focal_px;
    let before = exposure_s;
    match fault {
        Cause::UnderExposed => exposure_s = (random.scale(0.8, 4.0) / plain).max(0.02),
        Cause::OverExposed => exposure_s = random.range(0.4, 1.1) * full_well / plain,
        // Trails to be seen that still fit on the picture.
        Cause::TrackerOff | Cause::WrongHemisphere => {
            let least = 4.5 / (speed * slow);
            exposure_s = exposure_s.clamp(least, (0.025 * SIZE[0] as f64 / speed).max(least));
        }
        // Long enough for an axis 5° off to show.
        Cause::AxisError => exposure_s = exposure_s.max(3.6 / (speed * 0.09 * 0.6)),
        Cause::PeriodicError => exposure_s = exposure_s.max(3.6 / (speed * 0.3 * slow)),
        Cause::Moon => exposure_s = exposure_s.min(0.2 * full_well / rate),
        _ => {}
    }
    if exposure_s > before && fault != Cause::OverExposed {
        // Stopped down for the longer exposure.
        path.f_number *= (exposure_s / before).sqrt();
    }
    let rate = sky_e_per_s(darkness - moon_mag, &path).unwrap();
    let land = land.then(|| {
        [
            random.range(0.62, 0.72) * SIZE[1] as f64,
            random.range(-0.1, 0.1),
            random.range(0.0, 6.0),
        ]
    });
    Scene {
        lens,
        attitude,
        focal_mm,
        exposure_s,
        path,
        sky_e: rate * exposure_s,
        full_well,
        read_e,
        iso,
        site,
        middle,
        land,
        moon_mag,
    }
}

/// A moment of a dark night and a direction; with the moon up and costly for that fault, down else.
fn moment(random: &mut Random, site: &Site, fault: Cause) -> (Instant, Rotation3<f64>, f64) {
    let begin: Instant = "2026-01-01T00:00:00Z".parse().unwrap();
    loop {
        let at = begin.plus_seconds(86_400.0 * random.range(0.0, 365.0));
        let observer = Observer::new(site, at, EarthOrientation::default()).unwrap();
        let sun = observer.altitude(&Target::Body(SolarBody::Sun));
        let moon_up = observer.altitude(&Target::Body(SolarBody::Moon));
        if sun.deg() > -18.0 || (fault != Cause::Moon && moon_up.deg() > -8.0) {
            continue;
        }
        let (altitude, azimuth) = (
            random.range(25.0, 75.0f64).to_radians(),
            random.range(0.0, 360.0f64).to_radians(),
        );
        let forward = Vector3::new(
            altitude.cos() * azimuth.sin(),
            altitude.cos() * azimuth.cos(),
            altitude.sin(),
        );
        let roll = Rotation3::from_axis_angle(&Vector3::z_axis(), random.range(-0.2, 0.2));
        let camera = roll * level(&forward);
        let (moon, distance_km) = observer.icrs(&Target::Body(SolarBody::Moon));
        let d = site.ground_from_icrs(at).inverse() * forward;
        let lights = Lights {
            sun_altitude: sun,
            moon: MoonLight {
                altitude: moon_up,
                phase: moon_phase_angle(at).unwrap(),
                distance_km: distance_km.unwrap(),
            },
        };
        let patch = SkyPatch {
            altitude: nightloom_sky::Angle::from_rad(altitude),
            moon_separation: nightloom_sky::Angle::from_rad(moon.angle(&d)),
        };
        let cost = SkyOverSite::default().moon_cost_mag(&lights, &patch).max(0.0);
        if fault == Cause::Moon && !(0.8..4.0).contains(&cost) {
            continue;
        }
        return (at, camera, if fault == Cause::Moon { cost } else { 0.0 });
    }
}

/// Steps a path is painted with.
const STEPS: usize = 60;

fn even(total: Vector3<f64>, steps: usize) -> Vec<(Vector3<f64>, f64)> {
    (0..steps)
        .map(|i| {
            (
                total * ((i as f64 + 0.5) / steps as f64 - 0.5),
                1.0 / steps as f64,
            )
        })
        .collect()
}

fn plan(random: &mut Random, scene: &Scene, fault: Cause) -> Plan {
    let pole = scene.attitude * Vector3::z();
    let turn = OMEGA * scene.exposure_s;
    // Sharp stars: 1.9 to 2.4 pixels, as the lens and the filter make them.
    let fwhm = random.range(1.9, 2.4);
    let sigma = fwhm / 2.354_82;
    let mut plan = Plan {
        path: vec![(Vector3::zeros(), 1.0)],
        shift: vec![[0.0; 2]],
        sigma,
        blur: Blur::None,
        halo: (random.range(0.0, 0.05), 3.0),
        light: 1.0,
        sky_factor: 1.0,
        cloud: None,
        severity: String::new(),
        axis_arcmin: None,
    };
    // A good tracker leaves a little.
    let rest = random.range(0.0, 0.6) / scene.lens.focal_px;
    let any = Unit::new_normalize(Vector3::new(
        random.normal(),
        random.normal(),
        0.2 * random.normal(),
    ));
    plan.path = even(any.into_inner() * rest, 3);
    // Elongation from 1.4 to 4 where drift is slight: the line's length in units of sigma.
    let drift = |random: &mut Random| {
        let e: f64 = random.scale(1.4, 4.0);
        (12.0 * (e * e - 1.0)).sqrt() * sigma
    };
    match fault {
        Cause::TrackerOff => {
            plan.path = even(pole * turn, STEPS);
            plan.severity = format!("{:.0} s", scene.exposure_s);
        }
        Cause::WrongHemisphere => {
            plan.path = even(pole * (2.0 * turn), STEPS);
            plan.severity = format!("{:.0} s", scene.exposure_s);
        }
        Cause::AxisError => axis_error(random, scene, &mut plan, drift),
        Cause::PeriodicError => periodic(random, scene, &mut plan, drift),
        Cause::Wind => wind(random, &mut plan),
        Cause::Knock => knock(random, &mut plan),
        Cause::Focus => {
            let ratio: f64 = random.scale(1.5, 3.5);
            // A disc of radius r has the second moment r²/4 along each axis.
            let radius = 2.0 * sigma * (ratio * ratio - 1.0).sqrt();
            plan.blur = Blur::Disc(radius, random.range(0.0, 0.35));
            plan.severity = format!("{ratio:.1} times as wide");
        }
        Cause::Dew => {
            plan.halo = (random.range(0.4, 0.75), random.range(3.0, 6.0));
            plan.light = random.range(0.5, 0.85);
            plan.severity = format!("{:.0} % in halos", 100.0 * plan.halo.0);
        }
        Cause::Aberration => {
            let grow = random.range(1.2, 3.0) * sigma;
            let astig = random.range(-0.6, 0.6);
            plan.blur = Blur::Corners(
                grow * (1.0 + astig),
                grow * (1.0 - astig),
                random.range(0.0, 1.0) * grow,
            );
            plan.severity = format!("{:.1} px at the corner", grow);
        }
        Cause::Decentred => {
            let length = random.scale(1.8, 4.0) * sigma;
            plan.blur = Blur::Coma(length, random.range(0.0, std::f64::consts::TAU));
            plan.severity = format!("{length:.1} px");
        }
        Cause::Tilt => {
            let grow = random.range(3.0, 7.0) * sigma;
            let offset = random.range(0.0, 1.0);
            plan.blur = Blur::Slope(grow, random.range(0.0, std::f64::consts::TAU), offset);
            plan.severity = format!("{grow:.1} px disc");
        }
        Cause::Cloud => clouds(random, &mut plan),
        Cause::Moon => plan.severity = format!("{:.1} mag", scene.moon_mag),
        Cause::UnderExposed | Cause::OverExposed => {
            plan.severity = format!("sky {:.1} %", 100.0 * scene.sky_e / scene.full_well);
        }
        _ => {}
    }
    plan
}

/// The residual rotation is Ω_sky − Ω_tracker, the tracker's axis `error` off the pole.
fn axis_error(random: &mut Random, scene: &Scene, plan: &mut Plan, drift: impl Fn(&mut Random) -> f64) {
    let pole = scene.attitude * Vector3::z();
    let turn = OMEGA * scene.exposure_s;
    let focal = scene.lens.focal_px;
    let wanted = drift(random) / focal;
    loop {
        let aside = Vector3::new(random.normal(), random.normal(), random.normal())
            .cross(&pole)
            .normalize();
        // What this direction of error gives in the middle of the frame decides its size.
        let unit = aside.cross(&pole).cross(&Vector3::z()).norm();
        if unit < 0.6 {
            continue;
        }
        let error = (wanted / (turn * unit)).min(10f64.to_radians());
        let axis = Rotation3::from_axis_angle(&Unit::new_normalize(aside), error) * pole;
        plan.path = even((pole - axis) * turn, STEPS);
        let arcmin = error.to_degrees() * 60.0;
        plan.severity = format!("{arcmin:.0}′, {:.1} px", error * turn * unit * focal);
        plan.axis_arcmin = Some(arcmin);
        return;
    }
}

/// A piece of a sine along right ascension.
fn periodic(random: &mut Random, scene: &Scene, plan: &mut Plan, drift: impl Fn(&mut Random) -> f64) {
    let pole = scene.attitude * Vector3::z();
    let period = random.range(240.0, 600.0);
    let phase = random.range(0.0, std::f64::consts::TAU);
    let at = |t: f64| (std::f64::consts::TAU * t * scene.exposure_s / period + phase).sin();
    let values: Vec<f64> = (0..STEPS).map(|i| at((i as f64 + 0.5) / STEPS as f64)).collect();
    let span =
        values.iter().copied().fold(f64::MIN, f64::max) - values.iter().copied().fold(f64::MAX, f64::min);
    let middle = values.iter().sum::<f64>() / STEPS as f64;
    let cos = (1.0 - (pole.z / pole.norm()).powi(2)).sqrt().max(0.25);
    let wanted = drift(random) / scene.lens.focal_px / cos;
    // A gear that errs faster slips.
    let wanted = wanted.min(0.3 * OMEGA * scene.exposure_s);
    plan.path = values
        .iter()
        .map(|v| (pole * ((v - middle) * wanted / span), 1.0 / STEPS as f64))
        .collect();
    plan.severity = format!("{:.0}″", wanted.to_degrees() * 3600.0);
}

/// Gusts: most of the time still, the rest swinging mainly along one line.
fn wind(random: &mut Random, plan: &mut Plan) {
    let e: f64 = random.scale(1.8, 3.0);
    let sigma = plan.sigma * (e * e - 1.0).sqrt();
    let (s, c) = random.range(0.0, std::f64::consts::PI).sin_cos();
    let still = random.range(0.2, 0.5);
    let n = 120;
    let mut offsets: Vec<[f64; 2]> = Vec::new();
    let (mut a, mut b) = (0.0, 0.0);
    for i in 0..n {
        // The tripod's swing forgets itself within a few steps.
        a = 0.6 * a + 0.8 * random.normal();
        b = 0.6 * b + 0.8 * random.normal();
        let quiet = (i as f64) < still * n as f64;
        let (u, v) = if quiet { (0.1 * a, 0.1 * b) } else { (a, 0.35 * b) };
        offsets.push([u * c - v * s, u * s + v * c]);
    }
    let spread = (offsets.iter().map(|o| (o[0] * c + o[1] * s).powi(2)).sum::<f64>() / n as f64).sqrt();
    for o in &mut offsets {
        *o = [o[0] * sigma / spread, o[1] * sigma / spread];
    }
    plan.path = vec![(Vector3::zeros(), 1.0 / n as f64); n];
    plan.shift = offsets;
    plan.severity = format!("{e:.1} times as long as wide");
}

/// Two stops.
fn knock(random: &mut Random, plan: &mut Plan) {
    let distance = random.scale(4.0, 25.0) * plan.sigma;
    let share = random.range(0.2, 0.5);
    let (s, c) = random.range(0.0, std::f64::consts::TAU).sin_cos();
    plan.path = vec![(Vector3::zeros(), 1.0 - share), (Vector3::zeros(), share)];
    plan.shift = vec![[0.0, 0.0], [distance * c, distance * s]];
    plan.severity = format!("{distance:.1} px, {:.0} %", 100.0 * share);
}

fn clouds(random: &mut Random, plan: &mut Plan) {
    let count = 2 + (random.unit() * 4.0) as usize;
    let blobs = (0..count)
        .map(|_| {
            (
                [random.range(-0.8, 0.8), random.range(-0.5, 0.5)],
                random.range(0.12, 0.35),
                random.range(1.0, 4.0),
            )
        })
        .collect();
    plan.cloud = Some(Clouds {
        blobs,
        glow: random.range(-0.3, 0.8),
    });
    plan.severity = format!("{count} clouds");
}
