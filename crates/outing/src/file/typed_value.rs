//! Numbers of `outing.toml` as a person writes them, with the unit that the key has at its end or another.

use super::options::OptionSpec;
use crate::typed::{self, TypedError};

/// The number that a text says for an option, in the option's own unit.
pub(super) fn number_typed(option: &OptionSpec, text: &str) -> Result<f64, TypedError> {
    let value = match option.key {
        "latitude_deg" => typed::latitude_deg(text),
        "longitude_deg" => typed::longitude_deg(text),
        "elevation_m" => typed::elevation_m(text),
        "focal_mm" => typed::focal_mm(text),
        "pixel_um" => typed::pitch_um(text),
        "gear_period_s" => typed::exposure_s(text),
        _ => typed::number(text),
    };
    // To a millionth: what is beyond comes from changing units.
    value.map(|v| (v * 1e6).round() / 1e6)
}

/// Whether texts are taken for an option beside bare numbers: those that have forms of their own.
pub(super) fn takes_text(option: &OptionSpec) -> bool {
    matches!(option.key, "latitude_deg" | "longitude_deg" | "elevation_m")
}
