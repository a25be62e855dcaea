//! Heights above the sea.

use super::number::leading;
use super::{TypedError, plain, short};

/// Metres in a foot, by definition (international yard and pound agreement, 1959).
pub const FOOT_M: f64 = 0.3048;

/// Metres above the sea: `1800`, `1800 m`, `1.8 km`, `5900ft`, `5900'`, `1 800 m`.
///
/// # Errors
/// Another unit, a comma that may be for thousands or decimals.
pub fn elevation_m(text: &str) -> Result<f64, TypedError> {
    elevation_by(text, false)
}

/// The same where a figure alone may be in feet.
///
/// # Errors
/// As [`elevation_m`].
pub fn elevation_by(text: &str, in_feet: bool) -> Result<f64, TypedError> {
    let found = plain(text);
    let (value, unit) = leading(&found)?.ok_or_else(|| {
        TypedError::said(format!(
            "expected a height, like 1800, 1800 m or 5900 ft, found “{}”",
            text.trim()
        ))
    })?;
    match unit.trim_end_matches('.').to_lowercase().as_str() {
        "" if in_feet => Ok(value * FOOT_M),
        "" | "m" | "metre" | "metres" | "meter" | "meters" => Ok(value),
        "km" => Ok(value * 1000.0),
        "ft" | "feet" | "foot" | "'" => Ok(value * FOOT_M),
        _ => {
            let figure = short(value, 3);
            Err(TypedError::said(format!(
                "“{unit}” is no unit of height here; write {figure} m, or {figure} ft"
            )))
        }
    }
}
