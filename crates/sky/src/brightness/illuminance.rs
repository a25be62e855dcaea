//! The light that falls on the land, lux, and the exposure value it asks for.
//!
//! Polynomials for a clear sky, level ground: log₁₀ E = l₀ + l₁x + l₂x² + l₃x³, x = altitude/90° (P. K. Seidelmann,
//! ed., Explanatory Supplement to the Astronomical Almanac 1992, sec. 9.3, after Janiczek & DeYoung 1987, USNO
//! Circular 171; the same stands in Urban & Seidelmann 2013). Both tables were read in independent transcriptions, not
//! in the book itself; the rows join at every bound within 1.5 % and give the published 0.008 lux at −12°.

use crate::Angle;

/// The moon's rows: lowest altitude in degrees, coefficients.
const MOON: [(f64, [f64; 4]); 3] = [
    (20.0, [-1.95, 4.06, -4.24, 1.56]),
    (5.0, [-2.58, 12.58, -42.58, 59.06]),
    (MOON_LOWEST_DEG, [-2.79, 24.27, -252.95, 1321.29]),
];
const MOON_LOWEST_DEG: f64 = -0.8;
/// The sun's rows.
const SUN: [(f64, [f64; 4]); 6] = [
    (20.0, [3.74, 3.97, -4.07, 1.47]),
    (5.0, [3.05, 13.28, -45.98, 64.33]),
    (-0.8, [2.88, 22.26, -207.64, 1034.30]),
    (-5.0, [2.88, 21.81, -258.11, -858.36]),
    (-12.0, [2.70, 12.17, -431.69, -1899.83]),
    (SUN_LOWEST_DEG, [13.84, 262.72, 1447.42, 2797.93]),
];
const SUN_LOWEST_DEG: f64 = -18.0;
/// Equatorial radius of the Earth, kilometres, for the moon's parallax.
const EARTH_KM: f64 = 6378.137;
/// The horizontal parallax for which the moon's rows hold, degrees.
const MEAN_PARALLAX_DEG: f64 = 0.951;
/// Fall of light below the moon's rows, decades a degree: as the sun's at the same altitude.
const SUNKEN_DECADES_PER_DEG: f64 = 0.3;
/// Lower than this the moon counts as gone, degrees.
const MOON_GONE_DEG: f64 = -7.0;
/// Light on level, open land by its causes, lux.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct LandLight {
    /// From the moon, and the sky that it lights.
    pub moon_lux: f64,
    /// From the sun below the horizon.
    pub twilight_lux: f64,
    /// From the night sky itself, airglow, stars and lamps: π times the zenith's luminance, as if it
    /// were even. 5.4e−4 lux for a natural sky.
    pub night_sky_lux: f64,
}

impl LandLight {
    /// All of it, lux.
    pub fn lux(&self) -> f64 {
        self.moon_lux + self.twilight_lux + self.night_sky_lux
    }
    /// The exposure value at ISO 100 of an incident-light meter on it.
    pub fn ev100(&self) -> f64 {
        ev100_incident(self.lux())
    }
}

/// Moonlight on level ground, lux, by the moon's true altitude seen from the site, its phase angle (taken for
/// 180° less the elongation, 0.15° off at most) and its distance in kilometres.
///
/// The published polynomials reach from −0.8° to 90°, good to some 5 %; lower, the light goes down by 0.3 decades
/// a degree, as the sun's does (our own continuation), and is 0 below −7°.
pub fn moon_lux(altitude: Angle, phase: Angle, distance_km: f64) -> f64 {
    let h = altitude.deg();
    if h < MOON_GONE_DEG {
        return 0.0;
    }
    let sunken = (MOON_LOWEST_DEG - h).max(0.0) * SUNKEN_DECADES_PER_DEG;
    let f = phase.wrapped_180().deg().abs();
    let parallax_deg = (EARTH_KM / distance_km).asin().to_degrees();
    let phase_loss = 8.68e-3 * f + 2.2e-9 * f.powi(4);
    let distance = 2.0 * (parallax_deg / MEAN_PARALLAX_DEG).log10();
    10f64.powf(decades(&MOON, h) - phase_loss + distance - sunken)
}

/// Sun and sky on level ground, lux, by the sun's true altitude, −18° to 90°. The night sky's own light
/// is in it near −18°; lower, the value of −18° stands (6.5e−4 lux).
pub fn sun_lux(altitude: Angle) -> f64 {
    10f64.powf(decades(&SUN, altitude.deg()))
}

/// What the sun adds to the night's own light, lux: [`sun_lux`] less its value at −18°.
pub(super) fn twilight_lux(sun_altitude: Angle) -> f64 {
    sun_lux(sun_altitude) - sun_lux(Angle::from_deg(SUN_LOWEST_DEG))
}

/// log₁₀ of the illuminance from the row that holds for altitude `h` in degrees, which is held within the rows.
fn decades<const N: usize>(rows: &[(f64, [f64; 4]); N], h: f64) -> f64 {
    let h = h.clamp(rows[N - 1].0, 90.0);
    let [l0, l1, l2, l3] = rows.iter().find(|row| h >= row.0).unwrap_or(&rows[N - 1]).1;
    let x = h / 90.0;
    ((l3 * x + l2) * x + l1) * x + l0
}

/// Exposure value at ISO 100 of an incident-light meter: log₂(100 E/C) with C = 250 lx·s (ISO 2720, flat receptor).
pub fn ev100_incident(lux: f64) -> f64 {
    (lux * 100.0 / 250.0).log2()
}

/// Exposure value at ISO 100 of a reflected-light meter: log₂(100 L/K) with K = 12.5 cd·s/m² (ISO 2720).
pub fn ev100_reflected(cd_m2: f64) -> f64 {
    (cd_m2 * 100.0 / 12.5).log2()
}
