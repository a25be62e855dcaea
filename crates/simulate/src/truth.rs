//! What is true of the rendered frames.

use nightloom_optics::{Exposure, Lens};
use nightloom_sky::Instant;

use crate::events::PaintedStreak;
use crate::exposure::{Gathered, Night};
use crate::glow::Moonlight;
use crate::role::ShotRole;
use crate::scenario::Scenario;
use crate::sensor::{Sensor, Speck};
use crate::shots::{Shot, tracker_axis};
use crate::starfield::CameraView;

/// The faintest star listed, V magnitude.
const LISTED_TO: f64 = 9.0;

/// What is true of a rendered night; written as `truth/truth.json`.
///
/// # Units
/// Pixels as everywhere (centre of the first pixel 0, 0); matrices row by row; times UTC.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Truth {
    /// What was asked for.
    pub scenario: Scenario,
    /// The lens: focal length and centre in pixels, radial coefficients.
    pub lens: Lens,
    /// The sensor.
    pub sensor: TruthSensor,
    /// The tracker's axis in the ground frame, a unit vector.
    pub tracker_axis: [f64; 3],
    /// Middle of the land exposures (of the sky exposures where there is no land frame).
    pub default_instant: Instant,
    /// ICRS to camera of the first land frame at the default instant: how the truth pictures look.
    pub picture_attitude: [[f64; 3]; 3],
    /// Truth pictures hold this many electrons of the land exposure as 1.0 (its saturation).
    pub picture_unit_e: f64,
    /// Seconds of exposure that the truth pictures stand for.
    pub picture_seconds: f64,
    /// Electrons a second in a green pixel on the axis under 22 mag/arcsec².
    pub rate_of_22_e_s: f64,
    /// Electrons a second in all from a star of V = 0, B−V = 0 in green, on the axis, above the air.
    pub rate_of_v0_e_s: f64,
    /// The moon at the default instant.
    pub moon: TruthMoon,
    /// The frames in the order in which they were taken.
    pub frames: Vec<TruthFrame>,
}

/// The sensor and its noise.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct TruthSensor {
    /// Pixel pitch, micrometres.
    pub pitch_um: f64,
    /// Raw value of no light.
    pub black: f64,
    /// Raw value of saturation.
    pub white: f64,
    /// Read noise, electrons, at any ISO.
    pub read_noise_e: f64,
    /// Dark current, electrons a second (hot pixels apart).
    pub dark_e_s: f64,
    /// Electrons a raw step stands for in the sky frames.
    pub sky_gain_e: f64,
    /// Electrons a raw step stands for in the land frames.
    pub land_gain_e: f64,
    /// Electrons at saturation in the sky frames.
    pub sky_saturation_e: f64,
    /// Hot pixels: x, y, electrons a second.
    pub hot: Vec<(usize, usize, f64)>,
    /// Dust: x, y, radius in pixels and depth, of light taken.
    pub dust: Vec<[f64; 4]>,
    /// Light of an even surface along the half diagonal at 0, 0.1 … 1, of that on the axis.
    pub vignetting: Vec<f64>,
}

/// The moon.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct TruthMoon {
    /// Apparent altitude, degrees.
    pub altitude_deg: f64,
    /// Azimuth from north through east, degrees.
    pub azimuth_deg: f64,
    /// Phase angle, degrees, 0 at full moon.
    pub phase_angle_deg: f64,
}

/// One frame.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct TruthFrame {
    /// Path from the night's folder.
    pub path: String,
    /// What it is for.
    pub role: ShotRole,
    /// When the shutter opened.
    pub start: Instant,
    /// The exposure.
    pub exposure: Exposure,
    /// ICRS to camera at the start, the middle and the end.
    pub attitude: [[[f64; 3]; 3]; 3],
    /// Ground frame to camera at the start, the middle and the end.
    pub camera_from_ground: [[[f64; 3]; 3]; 3],
    /// Whether thin cloud is over it.
    pub cloud: bool,
    /// Seconds into the exposure at which the tripod was bumped.
    pub bumped_at_s: Option<f64>,
    /// Satellites, aircraft, meteors.
    pub streaks: Vec<PaintedStreak>,
    /// Brightness of the sky in the middle of the exposure, without the stars that are drawn and without the
    /// land before it; `None` of darks and flats.
    pub sky: Option<TruthSky>,
    /// Stars brighter than V = 9 whose mean place lies in the frame.
    pub stars: Vec<TruthStar>,
}

/// The sky's brightness in the middles of the cells of a grid over the frame.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct TruthSky {
    /// Cells across.
    pub columns: usize,
    /// Cells down.
    pub rows: usize,
    /// Johnson V as it arrives, mag/arcsec², row by row.
    pub v_mag_arcsec2: Vec<f64>,
}

impl TruthSky {
    fn of(night: &Night, shot: &Shot) -> Option<Self> {
        const GRID: [usize; 2] = [12, 8];
        if !matches!(shot.role, ShotRole::Sky | ShotRole::Land) {
            return None;
        }
        let view = CameraView::of(night.scenario, shot, 0.5 * shot.exposure.seconds);
        let moon = Moonlight::at(night.scenario, shot.middle());
        let (width, height) = night.scenario.size.pixels();
        let middle = |i: usize, of: usize, n: usize| (i as f64 + 0.5) / of as f64 * n as f64 - 0.5;
        let v_mag_arcsec2 = (0..GRID[0] * GRID[1])
            .map(|i| {
                let pixel = [
                    middle(i % GRID[0], GRID[0], width),
                    middle(i / GRID[0], GRID[1], height),
                ];
                let looks = view.looks(night.scenario, &night.optics.lens, pixel);
                looks.map_or(99.0, |[apparent, icrs]| {
                    night.glow.v_mag_at(&apparent, &icrs, Some(&moon))
                })
            })
            .collect();
        Some(Self {
            columns: GRID[0],
            rows: GRID[1],
            v_mag_arcsec2,
        })
    }
}

/// A star in a frame.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct TruthStar {
    /// Hipparcos number, or from 1 000 000 a synthetic star.
    pub id: u32,
    /// V magnitude above the air.
    pub v_mag: f32,
    /// Mean place over the exposure (or over the part of it before or after a bump), pixels.
    pub at_px: [f32; 2],
    /// Electrons of R, G, B that it would give in all if every pixel had that filter, through air and
    /// lens, with the fall-off of an even surface divided out (flat-fielded), land before it not counted.
    pub electrons: [f32; 3],
}

impl Truth {
    pub(crate) fn new(night: &Night, shots: &[Shot]) -> Self {
        let scenario = night.scenario;
        let instant = crate::shots::default_instant(scenario, shots);
        let moon = Moonlight::at(scenario, instant);
        let axis = tracker_axis(scenario);
        let land = scenario.land_exposure;
        let camera = picture_camera(scenario, shots);
        Self {
            scenario: scenario.clone(),
            lens: night.optics.lens,
            sensor: TruthSensor::of(night),
            tracker_axis: [axis.x, axis.y, axis.z],
            default_instant: instant,
            picture_attitude: rows(&(camera * scenario.site.ground_from_icrs(instant))),
            picture_unit_e: night.sensor.saturation_e(land.iso),
            picture_seconds: land.seconds,
            rate_of_22_e_s: night.rate(),
            rate_of_v0_e_s: crate::sensor::PHOTONS_OF_V0 * crate::sensor::THROUGHPUT * night.optics.area_cm2,
            moon: TruthMoon {
                altitude_deg: moon.altitude_deg,
                azimuth_deg: moon.azimuth_deg,
                phase_angle_deg: moon.phase_angle_deg,
            },
            frames: Vec::with_capacity(shots.len()),
        }
    }
}

impl TruthSensor {
    fn of(night: &Night) -> Self {
        let (scenario, s): (&Scenario, &Sensor) = (night.scenario, &night.sensor);
        let hot = crate::sensor::hot_pixels(s, scenario.seed);
        let speck = |d: &Speck| [d.at_px[0], d.at_px[1], d.radius_px, d.depth];
        Self {
            pitch_um: s.pitch_um,
            black: s.black,
            white: s.white,
            read_noise_e: s.read_noise_e,
            dark_e_s: s.dark_e_s,
            sky_gain_e: s.gain(scenario.sky_exposure.iso),
            land_gain_e: s.gain(scenario.land_exposure.iso),
            sky_saturation_e: s.saturation_e(scenario.sky_exposure.iso),
            hot: hot
                .iter()
                .map(|&(at, rate)| (at % s.width, at / s.width, rate))
                .collect(),
            dust: night.optics.dust().iter().map(speck).collect(),
            vignetting: (0..=10)
                .map(|i| night.optics.even_surface(f64::from(i) / 10.0))
                .collect(),
        }
    }
}

impl TruthFrame {
    pub(crate) fn of(night: &Night, shot: &Shot, gathered: &Gathered) -> Self {
        let scenario = night.scenario;
        let moments = [0.0, 0.5, 1.0].map(|part| part * shot.exposure.seconds);
        let (width, height) = scenario.size.pixels();
        let inside = |p: [f64; 2]| p[0] >= 0.0 && p[1] >= 0.0 && p[0] < width as f64 && p[1] < height as f64;
        let stars = gathered
            .seen
            .iter()
            .filter(|s| night.stars[s.star].v_mag < LISTED_TO && inside(s.at))
            .map(|s| TruthStar {
                id: night.stars[s.star].id,
                v_mag: night.stars[s.star].v_mag as f32,
                at_px: s.at.map(|v| v as f32),
                electrons: s.trail.light,
            })
            .collect();
        Self {
            path: format!("{}/{}", shot.role.folder(), shot.file),
            role: shot.role,
            start: shot.start,
            exposure: shot.exposure,
            attitude: moments.map(|t| rows(&shot.attitude(scenario, t))),
            camera_from_ground: moments.map(|t| rows(&shot.camera_from_ground(t))),
            cloud: shot.role == ShotRole::Sky && scenario.mishaps.cloud == Some(shot.index),
            bumped_at_s: shot.bumped(),
            sky: TruthSky::of(night, shot),
            streaks: gathered.crossings.iter().map(|c| c.streak.clone()).collect(),
            stars,
        }
    }
}

/// The camera (ground to camera) as which the truth pictures look: the first land frame's.
pub(crate) fn picture_camera(scenario: &Scenario, shots: &[Shot]) -> nalgebra::Rotation3<f64> {
    let land = shots.iter().find(|s| s.role == ShotRole::Land);
    land.map_or_else(
        || crate::shots::aimed(scenario.land_aim),
        |s| s.camera_from_ground(0.0),
    )
}

pub(crate) fn picture_view(scenario: &Scenario, shots: &[Shot], instant: Instant) -> CameraView {
    CameraView::new(scenario, instant, &picture_camera(scenario, shots))
}

fn rows(rotation: &nalgebra::Rotation3<f64>) -> [[f64; 3]; 3] {
    let m = rotation.matrix();
    std::array::from_fn(|r| std::array::from_fn(|c| m[(r, c)]))
}
