//! A sensor measured from files: sorted by level, paired, and what is missing said.

use std::path::{Path, PathBuf};
use std::sync::atomic::AtomicBool;

use nightloom_frames::{SensorError, SensorReport, measure_sensor};
use nightloom_outing::World;
use nightloom_raster::{Cfa, DecodeError, DecodeOptions, Frame, FrameMeta, Limits, decode_here_with};
use nightloom_simulate::{DngFrame, write_dng};
use nightloom_sky::Instant;

use crate::temp::Temp;

/// The simulated sensor: electrons per number, read noise, dark current, black and white level.
const GAIN_E: f64 = 1.6;
const READ_E: f64 = 4.0;
const DARK_E_PER_S: f64 = 0.3;
const BLACK: f64 = 512.0;
const WHITE: f64 = 9000.0;
const SIZE: [usize; 2] = [256, 192];
/// Hot pixels, electrons per second.
const HOT: [usize; 6] = [5_000, 11_003, 17_500, 23_471, 30_102, 41_999];
const HOT_E_PER_S: f64 = 20.0;

/// Answers for this process: decodes here, shows nothing.
struct Here {
    stop: AtomicBool,
}

impl World for Here {
    fn now(&self) -> Instant {
        "2026-09-13T08:00:00Z".parse().unwrap()
    }
    fn cancelled(&self) -> &AtomicBool {
        &self.stop
    }
    fn decode(&self, path: &Path, options: &DecodeOptions) -> Result<Frame, DecodeError> {
        decode_here_with(path, options, &Limits::default())
    }
    fn meta(&self, path: &Path) -> Result<FrameMeta, DecodeError> {
        nightloom_raster::read_meta(path)
    }
}

/// SplitMix64 (Steele, Lea & Flood 2014) and normals after Box & Muller 1958.
struct Random(u64);

impl Random {
    fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }
    fn normal(&mut self) -> f64 {
        let r = (-2.0 * (1.0 - self.uniform()).ln()).sqrt();
        r * (std::f64::consts::TAU * self.uniform()).cos()
    }
    /// Knuth 1969 below 40; above, a normal with the skew of a Poisson.
    fn poisson(&mut self, mean: f64) -> f64 {
        if mean > 40.0 {
            let z = self.normal();
            return mean + z * mean.sqrt() + (z * z - 1.0) / 6.0;
        }
        let (limit, mut product, mut count) = ((-mean).exp(), self.uniform(), 0.0);
        while product > limit {
            product *= self.uniform();
            count += 1.0;
        }
        count
    }
}

struct Shot {
    light_e: f64,
    exposure_s: Option<f64>,
    iso: f64,
    /// Electrons per second of dark current, and its level taken off by the camera.
    clamped: bool,
}

const BIAS: Shot = Shot {
    light_e: 0.0,
    exposure_s: Some(0.000_25),
    iso: 800.0,
    clamped: false,
};

fn flat(light_e: f64, exposure_s: f64) -> Shot {
    Shot {
        light_e,
        exposure_s: Some(exposure_s),
        ..BIAS
    }
}

fn write(folder: &Temp, name: &str, seed: u64, shot: &Shot) -> PathBuf {
    let mut random = Random(seed);
    let seconds = shot.exposure_s.unwrap_or(0.0);
    let hidden = if shot.clamped { DARK_E_PER_S * seconds } else { 0.0 };
    let samples: Vec<u16> = (0..SIZE[0] * SIZE[1])
        .map(|i| {
            let (x, y) = (i % SIZE[0], i / SIZE[0]);
            let colour = [0.6, 1.0, 1.0, 0.5][(y % 2) * 2 + x % 2];
            let r = (x as f64 - 128.0).hypot(y as f64 - 96.0) / 160.0;
            let mut mean = shot.light_e * colour * (1.0 - 0.4 * r * r) + DARK_E_PER_S * seconds;
            if HOT.contains(&i) {
                mean += HOT_E_PER_S * seconds;
            }
            let electrons = random.poisson(mean) + READ_E * random.normal() - hidden;
            (electrons / GAIN_E + BLACK).round().clamp(0.0, WHITE) as u16
        })
        .collect();
    let meta = FrameMeta {
        exposure_s: shot.exposure_s,
        f_number: Some(5.6),
        iso: Some(shot.iso),
        make: Some("Nightloom".into()),
        model: Some("Test body".into()),
        taken_local: Some(format!("2026-11-20T21:00:{:02}", seed % 60)),
        ..FrameMeta::default()
    };
    let path = folder.path().join(name);
    let frame = DngFrame {
        width: SIZE[0],
        height: SIZE[1],
        samples: &samples,
        cfa: Cfa::RGGB,
        black: [BLACK as u16; 4],
        white: WHITE as u16,
        as_shot_neutral: [0.5, 1.0, 0.6],
        xyz_to_camera: [[0.7, -0.2, -0.1], [-0.4, 1.2, 0.2], [-0.1, 0.2, 0.6]],
        meta: &meta,
    };
    write_dng(&path, &frame).unwrap();
    path
}

fn measure(paths: &[PathBuf]) -> SensorReport {
    let here = Here {
        stop: AtomicBool::new(false),
    };
    measure_sensor(paths, &here).unwrap()
}

/// Writes what a person would bring, in no particular order.
fn whole_set(folder: &Temp, clamped: bool) {
    let dark = |s: f64| Shot {
        exposure_s: Some(s),
        clamped,
        ..BIAS
    };
    for k in 0..2 {
        write(folder, &format!("a{k}.dng"), 10 + k, &flat(3_500.0, 0.01));
        write(folder, &format!("z{k}.dng"), 20 + k, &BIAS);
        write(folder, &format!("m{k}.dng"), 30 + k, &dark(60.0));
        write(folder, &format!("k{k}.dng"), 40 + k, &flat(9_000.0, 0.025));
    }
}

#[test]
fn a_folder_of_flats_darks_and_biases_gives_the_sensor() {
    let folder = Temp::new();
    whole_set(&folder, false);
    write(&folder, "dim.dng", 51, &flat(250.0, 0.001));
    write(
        &folder,
        "timeless.dng",
        52,
        &Shot {
            exposure_s: None,
            ..BIAS
        },
    );
    folder.file("broken.dng", b"II*\0 nothing that follows is a raw");
    let report = measure(&[folder.path().into()]);
    assert_eq!(report.left_out.len(), 3, "{:?}", report.left_out);
    let reason = |name: &str| {
        let found = report.left_out.iter().find(|l| l.path.ends_with(name)).unwrap();
        found.reason.clone()
    };
    assert!(
        reason("dim.dng").contains("too dim for a flat"),
        "{}",
        reason("dim.dng")
    );
    assert!(reason("timeless.dng").contains("exposure time is not in the file"));
    let [sensor] = &report.sensors[..] else {
        panic!("{report:?}")
    };
    let counts = sensor.frames;
    assert_eq!((counts.flats, counts.flat_pairs), (4, 2), "{counts:?}");
    assert_eq!((counts.biases, counts.bias_pairs, counts.darks), (2, 1, 2));
    assert!(sensor.missing.is_empty(), "{:?}", sensor.missing);
    // 49 152 pixels in two pairs of flats: 0.6 % in one error; three of them.
    let gain = sensor.gain_e_per_dn.unwrap();
    assert!(
        (gain.value - GAIN_E).abs() < 3.0 * gain.error && gain.error < 0.01 * GAIN_E,
        "{gain:?}"
    );
    let read = sensor.read_noise_e.unwrap();
    assert!(
        (read.value - READ_E).abs() < 3.0 * read.error && read.error < 0.01 * READ_E,
        "{read:?}"
    );
    let well = sensor.full_well_e.unwrap().value;
    assert!((well / ((WHITE - BLACK) * GAIN_E) - 1.0).abs() < 0.02, "{well}");
    assert!(!sensor.saturation.seen);
    let dark = sensor.dark.unwrap();
    assert!(!dark.from_noise && dark.longest_s == 60.0);
    assert!((dark.e_per_s.value / DARK_E_PER_S - 1.0).abs() < 0.03, "{dark:?}");
    let hot = sensor.hot.unwrap();
    assert_eq!(hot.count.value, HOT.len() as f64);
    let names: Vec<&str> = sensor.channels.iter().map(|c| c.name.as_str()).collect();
    assert_eq!(names, ["R", "G1", "G2", "B"]);
    for c in &sensor.channels {
        assert!(
            (c.gain_e_per_dn.value - GAIN_E).abs() < 4.0 * c.gain_e_per_dn.error,
            "{c:?}"
        );
    }
}

#[test]
fn a_camera_that_hides_its_dark_level_is_seen_through_by_the_noise() {
    let folder = Temp::new();
    whole_set(&folder, true);
    let report = measure(&[folder.path().into()]);
    let sensor = &report.sensors[0];
    let dark = sensor.dark.unwrap();
    assert!(dark.from_noise, "{dark:?}");
    assert!(
        (dark.e_per_s.value - DARK_E_PER_S).abs() < 3.0 * dark.e_per_s.error,
        "{dark:?}"
    );
    assert!(
        sensor
            .notes
            .iter()
            .any(|n| n.contains("takes its dark level off")),
        "{:?}",
        sensor.notes
    );
}

#[test]
fn the_level_at_which_frames_pile_up_is_saturation() {
    let folder = Temp::new();
    whole_set(&folder, false);
    write(&folder, "white.dng", 60, &flat(60_000.0, 0.5));
    let sensor = &measure(&[folder.path().into()]).sensors[0];
    assert!(sensor.saturation.seen);
    assert!(
        (sensor.saturation.level_dn - (WHITE - BLACK)).abs() < 0.5,
        "{:?}",
        sensor.saturation
    );
}

#[test]
fn what_is_missing_is_said_and_isos_are_kept_apart() {
    let folder = Temp::new();
    let other = Shot { iso: 3200.0, ..BIAS };
    let paths = [
        write(&folder, "1.dng", 1, &flat(3_500.0, 0.01)),
        write(&folder, "2.dng", 2, &BIAS),
        write(&folder, "3.dng", 3, &other),
    ];
    let report = measure(&paths);
    assert!(!report.measured());
    let isos: Vec<Option<f64>> = report.sensors.iter().map(|s| s.iso).collect();
    assert_eq!(isos, [Some(800.0), Some(3200.0)]);
    let said = report.sensors[0].missing.join("\n");
    for part in [
        "two flats",
        "one flat was found",
        "two biases",
        "two exposure times",
        "Hot pixels need",
    ] {
        assert!(said.contains(part), "{part} in {said}");
    }
}

#[test]
fn names_that_lead_nowhere_are_answered() {
    let here = Here {
        stop: AtomicBool::new(false),
    };
    let nowhere = [PathBuf::from("no-such-frame.dng")];
    let said = measure_sensor(&nowhere, &here).unwrap_err().to_string();
    assert!(
        said.contains("no-such-frame.dng") && said.contains("check the name"),
        "{said}"
    );
    let empty = Temp::new();
    assert!(matches!(
        measure_sensor(&[empty.path().into()], &here),
        Err(SensorError::NoFrames)
    ));
    here.stop.store(true, std::sync::atomic::Ordering::Relaxed);
    let path = write(&empty, "1.dng", 1, &BIAS);
    assert!(matches!(
        measure_sensor(&[path], &here),
        Err(SensorError::Cancelled)
    ));
}
