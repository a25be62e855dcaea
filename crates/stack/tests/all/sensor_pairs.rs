//! Photon transfer from simulated frames of a known sensor.

use nightloom_optics::sensor::{
    DarkLevel, Measured, Transfer, TransferPoint, TransferSettings, dark_current, dark_current_from_noise,
    in_electrons, photon_transfer,
};
use nightloom_raster::{Cfa, Plane};
use nightloom_stack::{
    HotSettings, Readout, find_hot_pixels, lower_of_both, pair_patches, pile, place_levels,
};

use rayon::prelude::*;

use crate::scene::Random;
use crate::table::rows;

/// Frames of the simulated sensor.
const WIDTH: usize = 400;
const HEIGHT: usize = 300;

/// A sensor whose figures are known.
#[derive(Clone, Copy)]
struct Truth {
    gain_e: f64,
    read_noise_e: f64,
    dark_e_per_s: f64,
    /// Level of no light in the file, and what the file says it is.
    black_dn: f64,
    stated_black_dn: f64,
    white_dn: f64,
    hot: usize,
    hot_e_per_s: f64,
}

const SENSOR: Truth = Truth {
    gain_e: 1.9,
    read_noise_e: 3.4,
    dark_e_per_s: 0.12,
    black_dn: 512.3,
    stated_black_dn: 512.0,
    white_dn: 15_300.0,
    hot: 60,
    hot_e_per_s: 9.0,
};

/// The bars.
const GAIN: f64 = 0.01;
const READ_NOISE: f64 = 0.03;
const DARK_RATE: f64 = 0.05;
/// Seeds, and the share of them whose error must hold.
const SEEDS: u64 = 100;
const HOLDS: std::ops::RangeInclusive<usize> = 58..=78;

/// Two independent standard normals (Box & Muller 1958).
fn normals(random: &mut Random) -> [f64; 2] {
    let r = (-2.0 * (1.0 - random.uniform()).ln()).sqrt();
    let (sin, cos) = (std::f64::consts::TAU * random.uniform()).sin_cos();
    [r * cos, r * sin]
}

/// Knuth 1969 below 40; above, from the standard normal z, λ + z√λ + (z² − 1)/6 with the variance λ + 1/18.
fn poisson(random: &mut Random, mean: f64, z: f64) -> f64 {
    if mean > 40.0 {
        return (mean + z * mean.sqrt() + (z * z - 1.0) / 6.0).round();
    }
    let (limit, mut product, mut count) = ((-mean).exp(), random.uniform(), 0.0);
    while product > limit {
        product *= random.uniform();
        count += 1.0;
    }
    count
}

/// The fixed things: what stays put from frame to frame.
struct Sensor {
    truth: Truth,
    sensitivity: Vec<f64>,
    offset_dn: Vec<f64>,
    hot: Vec<usize>,
}

impl Sensor {
    fn new(truth: Truth, seed: u64) -> Self {
        let mut random = Random::new(seed ^ 0xF1ED);
        let n = WIDTH * HEIGHT;
        // Sensitivities by 1 %, a dust shadow, vignetting to 55 %; a green cell twice as bright.
        let sensitivity = (0..n).map(|i| {
            let (x, y) = ((i % WIDTH) as f64, (i / WIDTH) as f64);
            let r2 = ((x - 200.0) / 250.0).powi(2) + ((y - 150.0) / 250.0).powi(2);
            let dust = if (x - 310.0).hypot(y - 80.0) < 6.0 {
                0.7
            } else {
                1.0
            };
            let colour = [0.5, 1.0, 1.0, 0.4][(i / WIDTH % 2) * 2 + i % WIDTH % 2];
            colour * dust * (1.0 - 0.45 * r2) * (1.0 + 0.01 * random.normal())
        });
        let sensitivity = sensitivity.collect();
        let offset_dn = (0..n).map(|_| 0.8 * random.normal()).collect();
        let mut hot: Vec<usize> = (0..truth.hot)
            .map(|_| (random.uniform() * n as f64) as usize)
            .collect();
        hot.sort_unstable();
        hot.dedup();
        Self {
            truth,
            sensitivity,
            offset_dn,
            hot,
        }
    }

    /// A frame as the decoder gives it: 1 at saturation, the stated black taken off.
    fn frame(&self, random: &mut Random, light_e: f64, seconds: f64) -> Plane {
        let t = &self.truth;
        let mut dark = vec![t.dark_e_per_s * seconds; WIDTH * HEIGHT];
        for i in &self.hot {
            dark[*i] += t.hot_e_per_s * seconds;
        }
        let values = (0..WIDTH * HEIGHT).map(|i| {
            let [a, b] = normals(random);
            let electrons = poisson(random, light_e * self.sensitivity[i] + dark[i], a);
            let dn = (electrons + t.read_noise_e * b) / t.gain_e + t.black_dn + self.offset_dn[i];
            let dn = dn.round().clamp(0.0, t.white_dn);
            ((dn - t.stated_black_dn) / (t.white_dn - t.stated_black_dn)) as f32
        });
        Plane::from_vec(WIDTH, HEIGHT, values.collect())
    }

    fn readout<'a>(&self, plane: &'a Plane) -> Readout<'a> {
        Readout {
            plane,
            cfa: Cfa::RGGB,
            span_dn: [(self.truth.white_dn - self.truth.stated_black_dn) as f32; 4],
        }
    }

    fn points(&self, a: &Plane, b: &Plane, zero_dn: f64) -> Vec<TransferPoint> {
        let patches = pair_patches(&self.readout(a), &self.readout(b));
        let point = |p: &nightloom_stack::PairPatch| TransferPoint {
            level_dn: p.level_dn - zero_dn,
            variance_dn2: p.variance_dn2,
            samples: p.samples,
        };
        patches.iter().map(point).collect()
    }
}

struct Found {
    transfer: Transfer,
    dark: Measured,
}

/// Four flats on two levels, two biases, two darks of 30 s and two of 60 s.
fn measure(sensor: &Sensor, seed: u64) -> Found {
    let random = &mut Random::new(seed);
    let biases: Vec<Plane> = (0..2).map(|_| sensor.frame(random, 0.0, 0.001)).collect();
    let zero = Plane::from_fn(WIDTH, HEIGHT, |x, y| {
        biases.iter().map(|b| b.at(x, y)).sum::<f32>() / biases.len() as f32
    });
    let zero_dn = place_levels(&sensor.readout(&zero), &Plane::filled(WIDTH, HEIGHT, 0.0));
    let zero_dn = zero_dn.iter().map(|l| l.level_dn).sum::<f64>() / 4.0;
    let unlit = sensor.points(&biases[0], &biases[1], zero_dn);
    let mut lit = Vec::new();
    for light_e in [6_000.0, 13_000.0] {
        let pair = [(); 2].map(|()| sensor.frame(random, light_e, 0.02));
        lit.extend(sensor.points(&pair[0], &pair[1], zero_dn));
    }
    let saturation = sensor.truth.white_dn - sensor.truth.black_dn;
    let transfer = photon_transfer(&lit, &unlit, saturation, &TransferSettings::default()).unwrap();
    let darks = [30.0, 30.0, 60.0, 60.0].map(|t| (t, sensor.frame(random, 0.0, t)));
    let all = biases
        .iter()
        .map(|b| (0.001, b))
        .chain(darks.iter().map(|(t, d)| (*t, d)));
    let levels: Vec<DarkLevel> = all
        .flat_map(|(exposure_s, frame)| {
            let places = place_levels(&sensor.readout(frame), &zero);
            places.into_iter().map(move |l| DarkLevel {
                exposure_s,
                level_dn: l.level_dn,
                error_dn: l.error_dn,
            })
        })
        .collect();
    let rate = dark_current(&levels).unwrap().rate_dn_per_s;
    Found {
        dark: in_electrons(rate, transfer.gain_e_per_dn),
        transfer,
    }
}

#[test]
fn a_known_sensor_is_measured_within_the_bars_and_the_errors_hold() {
    let (mut within, mut worst) = ([0usize; 3], [0.0f64; 3]);
    let sensor = Sensor::new(SENSOR, 5);
    let all: Vec<Found> = (0..SEEDS)
        .into_par_iter()
        .map(|seed| measure(&sensor, 1_000 + seed))
        .collect();
    for (seed, found) in all.iter().enumerate() {
        let t = &found.transfer;
        let pairs = [
            (t.gain_e_per_dn, SENSOR.gain_e, GAIN),
            (t.read_noise_e, SENSOR.read_noise_e, READ_NOISE),
            (found.dark, SENSOR.dark_e_per_s, DARK_RATE),
        ];
        for (k, (measured, truth, bar)) in pairs.into_iter().enumerate() {
            let off = measured.value - truth;
            worst[k] = worst[k].max((off / truth).abs());
            assert!(
                (off / truth).abs() < bar,
                "seed {seed}, figure {k}: {measured:?} for {truth}"
            );
            within[k] += usize::from(off.abs() < measured.error);
        }
        let well = (SENSOR.white_dn - SENSOR.black_dn) * SENSOR.gain_e;
        assert!((t.full_well_e.value / well - 1.0).abs() < GAIN);
    }
    assert!(within.iter().all(|n| HOLDS.contains(n)), "{within:?}");
}

#[test]
fn hot_pixels_are_counted_and_particle_hits_are_not() {
    let sensor = Sensor::new(SENSOR, 7);
    let random = &mut Random::new(8);
    let zero = sensor.frame(random, 0.0, 0.001);
    let [mut a, b] = [(); 2].map(|()| sensor.frame(random, 0.0, 60.0));
    for k in 0..40 {
        *a.at_mut(5 + 9 * k, 30 + 6 * k) += 0.05;
    }
    let found = find_hot_pixels(&lower_of_both(&a, &b, &zero), &HotSettings::default());
    let places: Vec<usize> = found
        .places
        .iter()
        .map(|p| p[1] as usize * WIDTH + p[0] as usize)
        .collect();
    assert_eq!(places, sensor.hot);
}

#[test]
fn the_noise_tells_the_dark_current_where_the_level_hides_it() {
    let truth = Truth {
        dark_e_per_s: 0.8,
        hot: 0,
        ..SENSOR
    };
    let sensor = Sensor::new(truth, 3);
    let random = &mut Random::new(4);
    let mut variances = Vec::new();
    for seconds in [0.001, 120.0] {
        let [a, b] = [(); 2].map(|()| sensor.frame(random, 0.0, seconds));
        let patches = pair_patches(&sensor.readout(&a), &sensor.readout(&b));
        variances.extend(patches.iter().map(|p| (seconds, p.variance_dn2, p.samples)));
    }
    let rate = dark_current_from_noise(&variances, truth.gain_e).unwrap();
    let found = rate.value * truth.gain_e;
    let error = rate.error * truth.gain_e;
    assert!(
        (found - 0.8).abs() < 3.0 * error && error < 0.02,
        "{found} ± {error}"
    );
}

#[test]
fn saturated_frames_show_where_they_pile_up() {
    let sensor = Sensor::new(SENSOR, 1);
    let random = &mut Random::new(2);
    let bright = sensor.frame(random, 90_000.0, 0.5);
    let dim = sensor.frame(random, 5_000.0, 0.5);
    let top = pile(&sensor.readout(&bright), 1);
    assert!(
        (top.level_dn - (SENSOR.white_dn - SENSOR.stated_black_dn)).abs() < 0.1,
        "{top:?}"
    );
    assert!(top.share > 0.9 && pile(&sensor.readout(&dim), 1).share < 0.001);
}

/// Patches against the whole frame: the variance about 24 means instead of one.
const VARIANCE: f64 = 0.003;
/// Levels are the same sums.
const LEVEL: f64 = 1e-5;
/// The reference weighs all levels alike, we by their scatter; each line's own error is 1.1 % here.
const SLOPE: f64 = 0.015;

#[test]
fn the_reference_implementation_of_emva_1288_agrees() {
    const SIZE: [usize; 2] = [96, 64];
    let bytes = include_bytes!("../fixtures/photon_transfer.u16")
        .as_chunks::<2>()
        .0;
    let values: Vec<f32> = bytes.iter().map(|b| f32::from(u16::from_le_bytes(*b))).collect();
    let frames: Vec<Plane> = values
        .chunks_exact(SIZE[0] * SIZE[1])
        .map(|v| Plane::from_vec(SIZE[0], SIZE[1], v.to_vec()))
        .collect();
    let readout = |plane| Readout {
        plane,
        cfa: Cfa::RGGB,
        span_dn: [1.0; 4],
    };
    let row = &rows(include_str!("../fixtures/photon_transfer.csv"))[0];
    let mut points: Vec<Vec<TransferPoint>> = Vec::new();
    for (k, pair) in frames.chunks_exact(2).enumerate() {
        let patches = pair_patches(&readout(&pair[0]), &readout(&pair[1]));
        let pixels: usize = patches.iter().map(|p| p.samples).sum();
        let mean = |of: &dyn Fn(&nightloom_stack::PairPatch) -> f64| {
            patches.iter().map(|p| of(p) * p.samples as f64).sum::<f64>() / pixels as f64
        };
        assert_eq!(pixels, SIZE[0] * SIZE[1]);
        let (level, variance) = (mean(&|p| p.level_dn), mean(&|p| p.variance_dn2));
        assert!(
            (level / row[2 * k] - 1.0).abs() < LEVEL,
            "{level} for {}",
            row[2 * k]
        );
        assert!(
            (variance / row[2 * k + 1] - 1.0).abs() < VARIANCE,
            "{variance} for {}",
            row[2 * k + 1]
        );
        let above_dark = |p: &nightloom_stack::PairPatch| TransferPoint {
            level_dn: p.level_dn - row[0],
            variance_dn2: p.variance_dn2,
            samples: p.samples,
        };
        points.push(patches.iter().map(above_dark).collect());
    }
    // The third level is above 70 % of saturation for both.
    let saturation = row[6] - row[0];
    let lit = points[1..].concat();
    let found = photon_transfer(&lit, &points[0], saturation, &TransferSettings::default()).unwrap();
    assert_eq!(found.lit, 2 * points[1].len());
    let gain = found.gain_e_per_dn.value;
    assert!((gain / row[8] - 1.0).abs() < SLOPE, "{gain} for {}", row[8]);
    let read = found.read_noise_e.value;
    assert!((read / row[9] - 1.0).abs() < SLOPE, "{read} for {}", row[9]);
    // And both find the sensor that was made up: 2.4 e⁻/DN, 4 e⁻, within three errors.
    assert!((gain - 2.4).abs() < 3.0 * found.gain_e_per_dn.error);
    assert!((read - 4.0).abs() < 3.0 * found.read_noise_e.error);
}
