//! What the air does to starlight: refraction, airmass, extinction.

use nalgebra::Vector3;

use crate::Angle;

/// The air at a site, for refraction.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Air {
    /// Pressure at the site (not reduced to sea level), hectopascals.
    pub pressure_hpa: f64,
    /// Temperature, degrees Celsius.
    pub temperature_c: f64,
}

impl Default for Air {
    /// 1010 hPa and 10 °C, for which both formulas were made.
    fn default() -> Self {
        Self {
            pressure_hpa: 1010.0,
            temperature_c: 10.0,
        }
    }
}

/// Neither formula is meant for directions below this apparent altitude, degrees; refraction is held there.
const LOWEST_DEG: f64 = -1.0;

impl Air {
    /// Typical air at a height above sea level: the standard pressure of ISO 2533 there, and `temperature_c`.
    pub fn at_elevation(elevation_m: f64, temperature_c: f64) -> Self {
        let pressure_hpa = 1013.25 * (1.0 - 2.255_77e-5 * elevation_m).max(0.05).powf(5.255_88);
        Self {
            pressure_hpa,
            temperature_c,
        }
    }

    /// Refraction at an *apparent* altitude, to be subtracted for the true one.
    ///
    /// Bennett 1982, J. Inst. Navigation 35, 255: R = cot(h + 7.31/(h + 4.4)), scaled by
    /// pressure and temperature (Meeus 1998, ch. 16). Within 0.07′ for all altitudes, after Meeus.
    pub fn refraction_at_apparent(&self, altitude: Angle) -> Angle {
        let h = altitude.deg().max(LOWEST_DEG);
        Angle::from_arcmin(self.scale() / Angle::from_deg(h + 7.31 / (h + 4.4)).tan())
    }

    /// Refraction at a *true* altitude, to be added for the apparent one.
    ///
    /// Sæmundsson 1986, Sky & Telescope 72, 70: R = 1.02 cot(h + 10.3/(h + 5.11)), scaled as above.
    /// Agrees with Bennett within 0.1′ (Meeus 1998, ch. 16).
    pub fn refraction_at_true(&self, altitude: Angle) -> Angle {
        let h = altitude.deg().max(LOWEST_DEG);
        Angle::from_arcmin(self.scale() * 1.02 / Angle::from_deg(h + 10.3 / (h + 5.11)).tan())
    }

    /// The apparent altitude of what stands at a *true* altitude: Bennett's formula turned round exactly, so that
    /// `lifted − refraction_at_apparent(lifted)` is the true altitude again (to 0.0001″).
    ///
    /// Below an apparent altitude of −1° the refraction stays what it is there.
    pub fn lifted_altitude(&self, true_altitude: Angle) -> Angle {
        const ENOUGH: usize = 20;
        const CLOSE_RAD: f64 = 1e-11;
        let mut apparent = true_altitude + self.refraction_at_true(true_altitude);
        for _ in 0..ENOUGH {
            let step = Angle::from_arcmin(0.5);
            let refraction = self.refraction_at_apparent(apparent);
            let slope = (self.refraction_at_apparent(apparent + step) - refraction).rad() / step.rad();
            let excess = (apparent - refraction - true_altitude).rad();
            apparent = apparent - Angle::from_rad(excess / (1.0 - slope));
            if excess.abs() < CLOSE_RAD {
                break;
            }
        }
        apparent
    }

    /// A true direction in the ground frame (x east, y north, z up) lifted by refraction.
    pub fn lift(&self, true_direction: &Vector3<f64>) -> Vector3<f64> {
        turn_in_altitude(true_direction, |h| self.refraction_at_true(h))
    }

    /// An apparent direction in the ground frame lowered to the true one: undoes [`Air::lift`] (to
    /// 0.001″), which Bennett's formula does only to 0.4′ at the horizon and 0.1′ above 3°.
    pub fn lower(&self, apparent_direction: &Vector3<f64>) -> Vector3<f64> {
        turn_in_altitude(apparent_direction, |apparent| {
            let mut refraction = self.refraction_at_apparent(apparent);
            for _ in 0..8 {
                refraction = self.refraction_at_true(apparent - refraction);
            }
            -refraction
        })
    }

    fn scale(&self) -> f64 {
        self.pressure_hpa / 1010.0 * 283.0 / (273.0 + self.temperature_c)
    }
}

fn turn_in_altitude(direction: &Vector3<f64>, by: impl Fn(Angle) -> Angle) -> Vector3<f64> {
    let across = direction.x.hypot(direction.y);
    if across == 0.0 {
        return *direction;
    }
    let altitude = Angle::from_rad(direction.z.atan2(across));
    let turned = altitude + by(altitude);
    let length = direction.norm();
    let k = length * turned.cos() / across;
    Vector3::new(direction.x * k, direction.y * k, length * turned.sin())
}

/// Airmass at an apparent altitude, after Pickering 2002 (DIO 12, 1, 20): 1/sin(h + 244/(165 + 47 h^1.1)).
/// 1 at the zenith, 38.7 at the horizon, which lower altitudes get too.
pub fn airmass_pickering(apparent_altitude: Angle) -> f64 {
    let h = apparent_altitude.deg().max(0.0);
    1.0 / Angle::from_deg(h + 244.0 / (165.0 + 47.0 * h.powf(1.1))).sin()
}

/// Airmass at an apparent altitude, after Kasten & Young 1989 (Appl. Opt. 28, 4735):
/// 1/(sin h + 0.50572 (h + 6.07995)^−1.6364). 37.9 at the horizon, which lower altitudes get too.
pub fn airmass_kasten_young(apparent_altitude: Angle) -> f64 {
    let h = apparent_altitude.deg().max(0.0);
    1.0 / (Angle::from_deg(h).sin() + 0.50572 * (h + 6.07995).powf(-1.6364))
}

/// The part of the light that comes through `airmass` of air that takes `magnitudes_per_airmass`.
pub fn extinction_factor(magnitudes_per_airmass: f64, airmass: f64) -> f64 {
    10f64.powf(-0.4 * magnitudes_per_airmass * airmass)
}
