//! Sensors by kind, for whom has no figures of the own one yet.
//!
//! All figures are typical of the kind: common practice, no source. A sensor of the kind may be off by
//! a third in read noise and full well and by a factor of three in dark current; measuring the own
//! camera takes eight frames.

use super::figures::{DOUBLING_C, IsoFigures, Sensor};

/// One row of the table.
struct Class {
    name: &'static str,
    width_mm: f64,
    size_px: [u32; 2],
    qe: f64,
    bits: u8,
    /// Electrons at saturation at the lowest ISO.
    full_well_e: f64,
    dark_e_per_s_at_20: f64,
    /// ISO and read noise in electrons.
    read_noise: &'static [(f64, f64)],
}

const CLASSES: &[Class] = &[
    Class {
        name: "full-frame 24 MP, recent",
        width_mm: 35.9,
        size_px: [6000, 4000],
        qe: 0.5,
        bits: 14,
        full_well_e: 80_000.0,
        dark_e_per_s_at_20: 0.06,
        read_noise: &[
            (100.0, 4.5),
            (400.0, 3.5),
            (800.0, 1.8),
            (1600.0, 1.6),
            (6400.0, 1.4),
        ],
    },
    Class {
        name: "full-frame 45 MP, recent",
        width_mm: 35.9,
        size_px: [8256, 5504],
        qe: 0.5,
        bits: 14,
        full_well_e: 50_000.0,
        dark_e_per_s_at_20: 0.04,
        read_noise: &[
            (100.0, 3.5),
            (400.0, 2.4),
            (800.0, 1.9),
            (1600.0, 1.6),
            (6400.0, 1.4),
        ],
    },
    Class {
        name: "full-frame 21 MP, older",
        width_mm: 36.0,
        size_px: [5616, 3744],
        qe: 0.35,
        bits: 14,
        full_well_e: 65_000.0,
        dark_e_per_s_at_20: 0.25,
        read_noise: &[
            (100.0, 27.0),
            (400.0, 9.0),
            (800.0, 5.5),
            (1600.0, 3.8),
            (6400.0, 2.8),
        ],
    },
    Class {
        name: "APS-C 24 MP",
        width_mm: 23.5,
        size_px: [6000, 4000],
        qe: 0.5,
        bits: 14,
        full_well_e: 32_000.0,
        dark_e_per_s_at_20: 0.05,
        read_noise: &[
            (100.0, 3.0),
            (400.0, 2.4),
            (800.0, 2.0),
            (1600.0, 1.7),
            (6400.0, 1.4),
        ],
    },
    Class {
        name: "micro 4/3, 20 MP",
        width_mm: 17.3,
        size_px: [5184, 3888],
        qe: 0.5,
        bits: 12,
        full_well_e: 25_000.0,
        dark_e_per_s_at_20: 0.05,
        read_noise: &[
            (200.0, 3.5),
            (400.0, 2.8),
            (800.0, 2.2),
            (1600.0, 1.8),
            (6400.0, 1.5),
        ],
    },
    Class {
        name: "1-inch, 20 MP",
        width_mm: 13.2,
        size_px: [5472, 3648],
        qe: 0.5,
        bits: 12,
        full_well_e: 13_000.0,
        dark_e_per_s_at_20: 0.04,
        read_noise: &[
            (125.0, 4.0),
            (400.0, 2.6),
            (800.0, 2.0),
            (1600.0, 1.7),
            (6400.0, 1.5),
        ],
    },
];

/// Share of the file's numbers below black, about: 512 of 16 384, 256 of 4096 and the like.
const BLACK_SHARE: f64 = 1.0 / 32.0;

/// Typical sensors by kind, the names without brands.
pub fn classes() -> Vec<Sensor> {
    CLASSES.iter().map(sensor).collect()
}

fn sensor(class: &Class) -> Sensor {
    let base = class.read_noise.first().map_or(100.0, |r| r.0);
    let numbers = f64::from(1u32 << class.bits) * (1.0 - BLACK_SHARE);
    let figures = |&(iso, read_noise_e): &(f64, f64)| {
        let full_well_e = class.full_well_e * base / iso;
        IsoFigures {
            iso,
            gain_e_per_dn: full_well_e / numbers,
            read_noise_e,
            full_well_e,
        }
    };
    Sensor {
        name: class.name.to_owned(),
        pitch_um: class.width_mm * 1e3 / f64::from(class.size_px[0]),
        size_px: class.size_px,
        qe: class.qe,
        bits: class.bits,
        isos: class.read_noise.iter().map(figures).collect(),
        dark_e_per_s: class.dark_e_per_s_at_20,
        dark_at_c: 20.0,
        doubling_c: DOUBLING_C,
    }
}
