//! Temperatures.

use super::number::leading;
use super::{TypedError, plain, short};

/// Degrees Fahrenheit as degrees Celsius, by definition (NIST SP 811, 2008, B.8).
pub fn celsius(fahrenheit: f64) -> f64 {
    (fahrenheit - 32.0) / 1.8
}

/// Degrees Celsius as degrees Fahrenheit.
pub fn fahrenheit(celsius: f64) -> f64 {
    celsius * 1.8 + 32.0
}

/// Degrees Celsius: `-5`, `−5 °C`, `23F`, `23 °F`. A figure alone is in the person's own unit.
///
/// # Errors
/// Another unit, or no temperature of air on Earth: outside −90 to 60 °C.
pub fn temperature_c(text: &str, in_fahrenheit: bool) -> Result<f64, TypedError> {
    let expected = || {
        TypedError::said(format!(
            "expected a temperature from -90 to 60 °C, like -5, -5 °C or 23 °F, found “{}”",
            text.trim()
        ))
    };
    let found = plain(text);
    let (figure, unit) = leading(&found)?.ok_or_else(expected)?;
    let unit = unit.trim_start_matches(['°', ' ']).to_lowercase();
    let value = match unit.as_str() {
        "" if in_fahrenheit => celsius(figure),
        "" | "c" | "celsius" => figure,
        "f" | "fahrenheit" => celsius(figure),
        _ => {
            let figure = short(figure, 1);
            return Err(TypedError::said(format!(
                "“{unit}” is no unit of temperature here; write {figure} C, or {figure} F"
            )));
        }
    };
    if (-90.0..=60.0).contains(&value) {
        return Ok(value);
    }
    // 75 alone is a summer's evening in the other unit.
    let other = celsius(figure);
    if unit.is_empty() && !in_fahrenheit && (-90.0..=60.0).contains(&other) {
        let figure = short(figure, 1);
        return Err(TypedError::said(format!(
            "{figure} °C is no temperature of the air; if °F is meant, write {figure} F"
        )));
    }
    Err(expected())
}
