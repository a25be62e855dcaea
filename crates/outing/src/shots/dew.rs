//! How far the air is from leaving dew on the glass.

use serde::Serialize;

use super::ShotsError;
use super::settings::AirNow;

/// With less than this between air and dew point the lens needs a heater, °C (common practice, no source: glass
/// under a clear sky is some degrees colder than the air).
pub const DEW_MARGIN_C: f64 = 3.0;

/// Alduchov & Eskridge 1996, J. Appl. Meteor. 35, 601: 17.625 and 243.04 °C.
const A: f64 = 17.625;
const B_C: f64 = 243.04;

/// The dew point and what is left above it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Dew {
    /// Where water begins to settle, °C.
    pub dew_point_c: f64,
    /// How far the air is above it, °C.
    pub margin_c: f64,
    /// Whether that is too little for bare glass: below [`DEW_MARGIN_C`].
    pub warn: bool,
}

/// The dew point over water, °C, by temperature in °C and relative humidity in percent.
///
/// γ = aT/(b+T) + ln(RH/100), Td = bγ/(a−γ) (Alduchov & Eskridge 1996; the range of −40 to 50 °C from memory).
pub fn dew_point_c(temperature_c: f64, humidity_percent: f64) -> f64 {
    let gamma = A * temperature_c / (B_C + temperature_c) + (humidity_percent / 100.0).ln();
    B_C * gamma / (A - gamma)
}

/// The margin over the dew point.
///
/// # Errors
/// A temperature outside −40 to 50 °C, a humidity that is not above 0 and at most 100 %.
pub fn dew(air: AirNow) -> Result<Dew, ShotsError> {
    air.check()?;
    let dew_point_c = dew_point_c(air.temperature_c, air.humidity_percent);
    let margin_c = air.temperature_c - dew_point_c;
    Ok(Dew {
        dew_point_c,
        margin_c,
        warn: margin_c < DEW_MARGIN_C,
    })
}
