//! How many batteries the night takes.

use serde::Serialize;

use super::settings::{PowerSettings, Run, WARM_C};
use crate::evening::Shows;

/// Temperature at which half is left, °C.
const COLD_C: f64 = -10.0;
/// Nothing is claimed below this share.
const LEAST: f64 = 0.3;

/// Batteries.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Power {
    /// Full charges used, not rounded.
    pub charges: f64,
    /// Batteries to bring: the charges rounded up.
    pub batteries: u32,
    /// Hours on one charge in the night's cold.
    pub hours_per_charge: f64,
    /// What that rests on.
    pub basis: String,
}

/// The share of a battery that the cold leaves: 1 from 20 °C up, straight down to one half at −10 °C and on to 0.3.
///
/// Common practice, no source: “cold halves a battery”. Cells differ widely.
pub fn cold_factor(temperature_c: f64) -> f64 {
    let slope = 0.5 / (WARM_C - COLD_C);
    (1.0 - (WARM_C - temperature_c) * slope).clamp(LEAST, 1.0)
}

/// Batteries for hours with the camera on. The tracker's own power and a dew heater's are not in it.
///
/// Without a temperature the battery is taken as warm.
pub fn power(on_s: f64, sky: &Run, temperature_c: Option<f64>, settings: &PowerSettings) -> Power {
    let shows = Shows {
        fahrenheit: settings.fahrenheit,
        ..Shows::default()
    };
    let (warm_hours, source) = match settings.frames_per_charge {
        Some(own) => {
            let counted_h = own * (sky.exposure_s + sky.gap_s) / 3600.0;
            let warm = counted_h / cold_factor(settings.counted_at_c);
            let of = format!(
                "your own {own} sky frames a charge at {}",
                shows.temperature(settings.counted_at_c)
            );
            (warm, of)
        }
        None => {
            let warm = shows.temperature(WARM_C);
            let of = format!("rough: {} h a charge at {warm}", settings.hours_per_charge);
            (settings.hours_per_charge, of)
        }
    };
    let hours_per_charge = warm_hours * temperature_c.map_or(1.0, cold_factor);
    let charges = on_s / 3600.0 / hours_per_charge;
    let cold = match temperature_c {
        Some(c) => format!(
            "{:.0} % of that left at {}, rough",
            cold_factor(c) * 100.0,
            shows.temperature(c)
        ),
        None => "no temperature given, so taken as warm".into(),
    };
    Power {
        charges,
        batteries: charges.ceil().clamp(0.0, 1e6) as u32,
        hours_per_charge,
        basis: format!("{source}; {cold}; tracker and dew heater not counted"),
    }
}
