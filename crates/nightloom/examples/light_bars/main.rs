//! The light of single frames against the simulated night's truth: zero point, extinction, sky brightness,
//! limiting magnitude.
//!
//! `cargo run -p nightloom --example light_bars -- [frames] [folder]`
#![allow(clippy::print_stdout, reason = "a report for reading")]

use std::error::Error;
use std::path::{Path, PathBuf};
use std::sync::atomic::AtomicBool;

use nightloom_frames::{FrameLight, FrameTold, IdentifyReport, identify_frame};
use nightloom_optics::Exposure;
use nightloom_outing::World;
use nightloom_raster::{DecodeError, DecodeOptions, Frame, FrameMeta, Limits, decode_here_with};
use nightloom_simulate::{Counts, Mishaps, Scenario, Size, TrackerFaults, Truth, TruthPictures, render};
use nightloom_sky::{Angle, Instant};

fn main() -> Result<(), Box<dyn Error>> {
    let mut arguments = std::env::args().skip(1);
    let frames = arguments.next().and_then(|a| a.parse().ok()).unwrap_or(16);
    let folder = arguments.next().map_or_else(
        || std::env::temp_dir().join("nightloom-light-bars"),
        PathBuf::from,
    );
    println!(
        "  n  f mm  alt  time  true sky    told     off  rms off   Z off (σ)     k off (σ)  corner off  limit  slope  stars  s"
    );
    let (mut sky, mut zero) = (Vec::new(), Vec::new());
    for n in 0..frames {
        let folder = folder.join(n.to_string());
        let truth = render(&scenario(n), &folder, &|_, _, _| {}, &AtomicBool::new(false))?;
        let path = folder.join(&truth.frames[0].path);
        let report = identify_frame(&path, &FrameTold::default(), &Here::new())?;
        let _ = std::fs::remove_dir_all(&folder);
        let Some(light) = &report.light else {
            println!("{n:3}  not identified");
            continue;
        };
        println!("{}", line(n, &truth, &report, light, &mut sky, &mut zero));
        for note in &light.notes {
            println!("     {note}");
        }
    }
    for (what, values) in [("sky, mag/arcsec²", sky), ("zero point, mag", zero)] {
        let mut sizes: Vec<f64> = values.iter().map(|v: &f64| v.abs()).collect();
        sizes.sort_by(f64::total_cmp);
        let mean = values.iter().sum::<f64>() / values.len().max(1) as f64;
        let (middle, largest) = (sizes.get(sizes.len() / 2), sizes.last());
        println!("{what}: mean {mean:+.3}, median size {middle:.3?}, largest {largest:.3?}");
    }
    Ok(())
}

fn line(
    n: usize,
    truth: &Truth,
    report: &IdentifyReport,
    light: &FrameLight,
    sky: &mut Vec<f64>,
    zero: &mut Vec<f64>,
) -> String {
    let scenario = &truth.scenario;
    let true_zero = 2.5 * (truth.rate_of_v0_e_s / truth.sensor.sky_saturation_e).log10();
    let (told, rms, off) = against_truth(truth, light);
    let z = light.zero_point_mag.map_or(f64::NAN, |z| z - true_zero);
    if off.is_finite() {
        sky.push(off);
        zero.push(z);
    }
    let k = light
        .extinction_mag
        .map_or(f64::NAN, |k| k - scenario.extinction_mag);
    let corner = light.falloff.map_or(f64::NAN, |f| f.corner_stops) - true_corner(truth);
    format!(
        "{n:3} {:5.0} {:4.0} {:5.0}  {:8.2} {:7.2} {off:+7.3}  {rms:7.3} {z:+8.3} ({:.3}) {k:+8.3} ({:.3}) {corner:+9.2} {:8.2} {:+.3} {:6} {:.2}",
        scenario.focal_mm,
        scenario.sky_aim.altitude.deg(),
        scenario.sky_exposure.seconds,
        told - off,
        told,
        light.zero_point_sigma.unwrap_or(f64::NAN),
        light.extinction_sigma.unwrap_or(f64::NAN),
        light.limiting_mag.unwrap_or(f64::NAN),
        light.slope.unwrap_or(f64::NAN),
        light.stars,
        report.seconds,
    )
}

/// Told brightness, rms of the cells' errors, and error of the median over the cells that are sky.
fn against_truth(truth: &Truth, light: &FrameLight) -> (f64, f64, f64) {
    let (Some(sky), Some(map)) = (&truth.frames[0].sky, &light.sky_map) else {
        return (f64::NAN, f64::NAN, f64::NAN);
    };
    let (mut told, mut real, mut squares) = (Vec::new(), Vec::new(), 0.0);
    for (i, v) in sky.v_mag_arcsec2.iter().enumerate() {
        let place = |i: usize, of: usize, to: usize| ((i as f64 + 0.5) / of as f64 * to as f64) as usize;
        let (x, y) = (
            place(i % sky.columns, sky.columns, map.columns),
            place(i / sky.columns, sky.rows, map.rows),
        );
        if let Some(mag) = map.mag_arcsec2[y * map.columns + x] {
            told.push(mag);
            real.push(*v);
            squares += (mag - v).powi(2);
        }
    }
    let rms = (squares / told.len().max(1) as f64).sqrt();
    let (told, real) = (median(&mut told), median(&mut real));
    (told, rms, told - real)
}

fn median(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(f64::NAN)
}

/// How many stops darker a star is in the corner than in the middle.
fn true_corner(truth: &Truth) -> f64 {
    let lens = &truth.lens;
    let half = 0.5 * truth.scenario.size.pixels().0 as f64 * (1.0 + (2.0f64 / 3.0).powi(2)).sqrt();
    let at = [lens.centre_px[0] + 0.8 * half, lens.centre_px[1] + 0.6 * half];
    let solid = |p: [f64; 2]| {
        lens.scale_at(p)
            .map_or(f64::NAN, |s| s.radial.rad() * s.tangential.rad())
    };
    let even = truth.sensor.vignetting[10] / truth.sensor.vignetting[0];
    -(even / (solid(at) / solid(lens.centre_px))).log2()
}

/// Dark and bright skies, hazy and clear air, low and high aims, wide and long lenses, short and long
/// exposures, by turns.
fn scenario(n: usize) -> Scenario {
    let pick = |list: &[f64], step: usize| list[(n / step) % list.len()];
    let base = Scenario::default();
    let seconds = pick(&[90.0, 20.0, 60.0], 1);
    let exposure = Exposure {
        seconds,
        ..base.sky_exposure
    };
    let mut aim = base.sky_aim;
    aim.altitude = Angle::from_deg(pick(&[31.5, 55.0, 42.0, 75.0, 25.0], 1));
    aim.azimuth = Angle::from_deg(pick(&[281.0, 120.0, 180.0, 40.0, 350.0, 230.0, 80.0], 1));
    Scenario {
        size: Size::Default,
        counts: Counts {
            sky: 1,
            land: 0,
            dark: 0,
            flat: 0,
        },
        sky_exposure: exposure,
        sky_aim: aim,
        tracker: TrackerFaults {
            axis_off_east: Angle::from_deg(0.0),
            axis_off_up: Angle::from_deg(0.0),
            ..base.tracker
        },
        focal_mm: pick(&[24.0, 14.0, 50.0, 35.0], 1),
        zenith_mag: pick(&[21.75, 20.0, 21.2, 18.5, 22.0], 1),
        extinction_mag: pick(&[0.17, 0.30, 0.12], 2),
        mishaps: Mishaps::none(),
        truth_pictures: TruthPictures::None,
        seed: base.seed + n as u64,
        ..base
    }
}

/// A world that decodes in this process and says nothing.
struct Here {
    begun: std::time::Instant,
    stop: AtomicBool,
}

impl Here {
    fn new() -> Self {
        Self {
            begun: std::time::Instant::now(),
            stop: AtomicBool::new(false),
        }
    }
}

impl World for Here {
    fn now(&self) -> Instant {
        Scenario::default().start
    }
    fn seconds(&self) -> f64 {
        self.begun.elapsed().as_secs_f64()
    }
    fn cancelled(&self) -> &AtomicBool {
        &self.stop
    }
    fn decode(&self, path: &Path, options: &DecodeOptions) -> Result<Frame, DecodeError> {
        decode_here_with(path, options, &Limits::default())
    }
    fn meta(&self, path: &Path) -> Result<FrameMeta, DecodeError> {
        Ok(self.decode(path, &DecodeOptions::default())?.meta)
    }
}
