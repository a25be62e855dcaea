//! The night from end to end: frames into their folders, truth beside them.

use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};

use crate::dng::{DngFrame, write_dng};
use crate::role::ShotRole;
use nightloom_raster::{FrameMeta, Plane};
use rayon::prelude::*;

use crate::colour::{self, StarColours};
use crate::error::SimulateError;
use crate::exposure::{Gathered, Night};
use crate::glow::{CD_M2_OF_22, Glow, Moonlight};
use crate::land::{self, Extent};
use crate::readout::Readout;
use crate::scenario::{Filters, Scenario, Size};
use crate::sensor::{Optics, Sensor, hot_pixels};
use crate::shots::{self, Shot};
use crate::splat::Filter;
use crate::starfield;
use crate::truth::{Truth, TruthFrame};
use crate::truth_pictures;

/// Colour temperature for which the camera was set when the frames were taken.
const WHITE_BALANCE_K: f64 = 4600.0;
/// Level of the flats, of saturation.
const FLAT_LEVEL: f64 = 0.45;
/// Illuminance of a V = 0 light, lux: 10^(−0.4 · 13.98) (Krisciunas & Schaefer 1991, eq. 16, as metres).
const V0_LUX: f64 = 2.559e-6;

/// Renders the night into `folder`: `sky/`, `land/`, `darks/`, `flats/` hold DNG files, `truth/` holds
/// `truth.json` and the truth pictures (see [`Truth`]).
///
/// The same scenario gives the same bytes on any number of threads. `progress` is told frames done,
/// frames in all, and what is being made.
///
/// # Errors
/// [`SimulateError::Scenario`] for a scenario that makes no night, [`SimulateError::Cancelled`] soon after
/// `cancelled` is set, [`SimulateError::Write`] if the file system refuses.
pub fn render(
    scenario: &Scenario,
    folder: &Path,
    progress: &dyn Fn(usize, usize, &str),
    cancelled: &AtomicBool,
) -> Result<Truth, SimulateError> {
    check(scenario)?;
    let go_on = || {
        if cancelled.load(Ordering::Relaxed) {
            Err(SimulateError::Cancelled)
        } else {
            Ok(())
        }
    };
    let shots = shots::night(scenario);
    let total = shots.len() + 2;
    progress(0, total, "painting the land and the stars");
    for role in [ShotRole::Sky, ShotRole::Land, ShotRole::Dark, ShotRole::Flat] {
        if shots.iter().any(|s| s.role == role) {
            make(&folder.join(role.folder()))?;
        }
    }
    make(&folder.join("truth"))?;
    let night = prepare(scenario, &shots);
    go_on()?;
    let factory = Factory::new(&night);
    let mut truth = Truth::new(&night, &shots);
    for (done, shot) in shots.iter().enumerate() {
        progress(done + 1, total, &shot.file);
        go_on()?;
        truth.frames.push(factory.frame(shot, folder)?);
    }
    progress(total - 1, total, "truth");
    truth_pictures::write(&night, &shots, &mut truth, &folder.join("truth"), &go_on)?;
    let path = folder.join("truth/truth.json");
    let json = serde_json::to_vec(&truth).map_err(|e| SimulateError::write(&path, e))?;
    std::fs::write(&path, json).map_err(|e| SimulateError::write(&path, e))?;
    progress(total, total, "done");
    Ok(truth)
}

fn make(folder: &Path) -> Result<(), SimulateError> {
    std::fs::create_dir_all(folder).map_err(|e| SimulateError::write(folder, e))
}

fn check(scenario: &Scenario) -> Result<(), SimulateError> {
    let wrong = |field, expected, found: String| {
        Err(SimulateError::Scenario {
            field,
            expected,
            found,
        })
    };
    let exposures = [
        scenario.sky_exposure,
        scenario.land_exposure,
        scenario.flat_exposure,
    ];
    for e in exposures {
        let numbers = [e.seconds, e.f_number, e.iso];
        if !numbers.iter().all(|v| v.is_finite() && *v > 0.0) {
            return wrong("exposure", "seconds, f-number and ISO above 0", format!("{e:?}"));
        }
    }
    if !(scenario.focal_mm > 3.0 && scenario.focal_mm < 2000.0) {
        return wrong("focal_mm", "3 to 2000", scenario.focal_mm.to_string());
    }
    if scenario.faintest_mag.is_nan() || scenario.faintest_mag > 14.0 {
        return wrong(
            "faintest_mag",
            "14 or brighter",
            scenario.faintest_mag.to_string(),
        );
    }
    Ok(())
}

/// Stars, land and light of a night.
fn prepare<'a>(scenario: &'a Scenario, shots: &[Shot]) -> Night<'a> {
    let optics = Optics::new(scenario, scenario.sky_exposure.f_number);
    let glow = Glow::new(scenario);
    let stars = starfield::stars(scenario, glow.galaxy());
    let middle = shots::default_instant(scenario, shots);
    let moon = Moonlight::at(scenario, middle);
    let light = land_light(scenario, &glow, &moon);
    let painting = extent(scenario, &optics, shots).map(|e| land::paint(e, &light, scenario.seed));
    let moonlit = light.moon[1] * 0.45 + light.ambient[1];
    Night {
        scenario,
        sensor: Sensor::new(scenario),
        optics,
        colours: StarColours::new(),
        stars,
        painting,
        land_before_moonrise: light.ambient[1] / moonlit,
        glow,
    }
}

fn land_light(scenario: &Scenario, glow: &Glow, moon: &Moonlight) -> land::Light {
    let a = moon.phase_angle_deg.abs();
    let magnitude = -12.73 + 0.026 * a + 4e-9 * a.powi(4);
    let airmass = nightloom_sky::airmass_kasten_young(nightloom_sky::Angle::from_deg(moon.altitude_deg));
    let up = if moon.altitude_deg > 0.0 { 1.0 } else { 0.0 };
    let lux = up * V0_LUX * 10f64.powf(-0.4 * (magnitude + scenario.extinction_mag * airmass));
    // A white surface that scatters evenly has luminance E/π.
    let units = lux / std::f64::consts::PI / CD_M2_OF_22;
    land::Light {
        ambient: glow.ambient(),
        moon: glow.moon_colour().map(|c| c * units),
        moon_height: moon.direction.z.max(0.0),
    }
}

/// The part of the ground frame that the frames see, with a margin.
fn extent(scenario: &Scenario, optics: &Optics, shots: &[Shot]) -> Option<Extent> {
    const MARGIN: f64 = 1.5;
    const TOP: f64 = 18.5;
    let (width, height) = scenario.size.pixels();
    let middle = scenario.land_aim.azimuth.deg();
    let (mut left, mut right, mut bottom) = (f64::MAX, f64::MIN, f64::MAX);
    for shot in shots
        .iter()
        .filter(|s| matches!(s.role, ShotRole::Sky | ShotRole::Land))
    {
        for seconds in [0.0, shot.exposure.seconds] {
            let camera = shot.camera_from_ground(seconds).inverse();
            for i in 0..=40 {
                let t = f64::from(i) / 40.0;
                let (w, h) = (width as f64, height as f64);
                for pixel in [[t * w, 0.0], [t * w, h], [0.0, t * h], [w, t * h]] {
                    let Some(d) = optics.lens.unproject(pixel) else {
                        continue;
                    };
                    let ground = camera * d.into_inner();
                    let altitude = ground.z.asin().to_degrees();
                    if altitude > TOP {
                        continue;
                    }
                    let azimuth = ground.x.atan2(ground.y).to_degrees();
                    let near = azimuth + 360.0 * ((middle - azimuth) / 360.0).round();
                    (left, right, bottom) = (left.min(near), right.max(near), bottom.min(altitude));
                }
            }
        }
    }
    if left > right {
        return None;
    }
    let density = if scenario.size == Size::Full { 1.5 } else { 2.0 };
    let per_degree = density * optics.lens.focal_px * std::f64::consts::PI / 180.0;
    let cells = |degrees: f64| (degrees * per_degree).ceil() as usize;
    Some(Extent {
        left: left - MARGIN,
        top: TOP,
        width: cells(right - left + 2.0 * MARGIN),
        height: cells(TOP - bottom.max(-60.0) + MARGIN),
        per_degree,
    })
}

/// Makes files of shots.
struct Factory<'a> {
    night: &'a Night<'a>,
    response: Plane,
    hot: Vec<(usize, f64)>,
    neutral: [f64; 3],
    matrix: [[f64; 3]; 3],
}

impl<'a> Factory<'a> {
    fn new(night: &'a Night<'a>) -> Self {
        Self {
            response: night.optics.response(night.sensor.width, night.sensor.height),
            hot: hot_pixels(&night.sensor, night.scenario.seed),
            neutral: colour::neutral(WHITE_BALANCE_K),
            matrix: colour::xyz_to_camera(),
            night,
        }
    }

    fn frame(&self, shot: &Shot, folder: &Path) -> Result<TruthFrame, SimulateError> {
        if self.night.scenario.filters == Filters::Linear {
            return self.linear(shot, folder);
        }
        let sensor = &self.night.sensor;
        let filter = Filter::Bayer(sensor.cfa);
        let mut gathered = match shot.role {
            ShotRole::Sky | ShotRole::Land => self.night.gather(shot, filter),
            ShotRole::Dark => self.even(|_, _| 0.0),
            ShotRole::Flat => {
                let full = sensor.saturation_e(shot.exposure.iso) * FLAT_LEVEL;
                let lamp = colour::neutral(5200.0).map(|c| (c * full) as f32);
                self.even(|x, y| lamp[sensor.cfa.colour(x, y)])
            }
        };
        let width = sensor.width;
        let response = self.response.data().par_chunks(width);
        gathered
            .light
            .data_mut()
            .par_chunks_mut(width)
            .zip(response)
            .for_each(|(row, response)| {
                for (value, response) in row.iter_mut().zip(response) {
                    *value *= response;
                }
            });
        let readout = Readout {
            sensor,
            hot: &self.hot,
            seconds: shot.exposure.seconds,
            iso: shot.exposure.iso,
            seed: self.night.scenario.seed,
            stream: shot.stream(),
        };
        let raw = readout.raw(&gathered.light);
        self.write(shot, &raw, folder)?;
        Ok(TruthFrame::of(self.night, shot, &gathered))
    }

    /// All colours of a frame, read out one after the other, as a camera that corrects its lens and sensor hands them out.
    fn linear(&self, shot: &Shot, folder: &Path) -> Result<TruthFrame, SimulateError> {
        let sensor = &self.night.sensor;
        let mut raw = vec![0; 3 * sensor.width * sensor.height];
        let mut truth = None;
        for c in 0..3 {
            let gathered = match shot.role {
                ShotRole::Sky | ShotRole::Land => self.night.gather(shot, Filter::One(c)),
                ShotRole::Dark | ShotRole::Flat => self.even(|_, _| 0.0),
            };
            let readout = Readout {
                sensor,
                hot: &[],
                seconds: shot.exposure.seconds,
                iso: shot.exposure.iso,
                seed: self.night.scenario.seed,
                stream: shot.stream() ^ ((c as u64 + 1) << 32),
            };
            for (pixel, value) in raw.chunks_exact_mut(3).zip(readout.raw(&gathered.light)) {
                pixel[c] = value;
            }
            truth = Some(TruthFrame::of(self.night, shot, &gathered));
        }
        self.write(shot, &raw, folder)?;
        truth.ok_or_else(|| SimulateError::write(folder, "no colour was painted"))
    }

    fn even(&self, value: impl Fn(usize, usize) -> f32) -> Gathered {
        let (width, height) = (self.night.sensor.width, self.night.sensor.height);
        Gathered {
            light: Plane::from_fn(width, height, value),
            seen: Vec::new(),
            crossings: Vec::new(),
        }
    }

    fn write(&self, shot: &Shot, raw: &[u16], folder: &Path) -> Result<(), SimulateError> {
        let sensor = &self.night.sensor;
        let meta = self.meta(shot);
        let path = folder.join(shot.role.folder()).join(&shot.file);
        let frame = DngFrame {
            width: sensor.width,
            height: sensor.height,
            samples: raw,
            cfa: sensor.cfa,
            black: [sensor.black as u16; 4],
            white: sensor.white as u16,
            as_shot_neutral: self.neutral,
            xyz_to_camera: self.matrix,
            meta: &meta,
        };
        write_dng(&path, &frame).map_err(|e| SimulateError::write(&path, e))
    }

    fn meta(&self, shot: &Shot) -> FrameMeta {
        let scenario = self.night.scenario;
        let minutes = scenario.utc_offset_min;
        let ahead = f64::from(minutes) * 60.0 + scenario.clock_error_s;
        let local = shot.start.plus_seconds(ahead).to_string();
        let sign = if minutes < 0 { '-' } else { '+' };
        let (hours, rest) = (minutes.abs() / 60, minutes.abs() % 60);
        FrameMeta {
            exposure_s: Some(shot.exposure.seconds),
            f_number: Some(shot.exposure.f_number),
            iso: Some(shot.exposure.iso),
            focal_mm: Some(scenario.focal_mm),
            focal_35mm: Some(scenario.focal_mm),
            focus_m: None,
            pixel_um: Some(self.night.sensor.pitch_um),
            taken_local: Some(local.trim_end_matches('Z').to_owned()),
            taken_offset: Some(format!("{sign}{hours:02}:{rest:02}")),
            make: Some("Nightloom".into()),
            model: Some("Simulated camera".into()),
            serial: Some("0001".into()),
            lens: Some(format!(
                "{} mm f/{}",
                scenario.focal_mm, scenario.sky_exposure.f_number
            )),
            gps_deg: Some([scenario.site.latitude.deg(), scenario.site.longitude.deg()]),
            gps_elevation_m: Some(scenario.site.elevation_m),
            orientation: Some(1),
        }
    }
}
