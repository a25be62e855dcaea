//! Exposures, lenses, sensors, shares: figures with a range that physics sets.

use nightloom_optics::Written;

use super::number::leading;
use super::{TypedError, plain, short};

/// A number and the unit behind it, in lower case.
fn with_unit(text: &str, like: &str) -> Result<(f64, String), TypedError> {
    let found = plain(text);
    let (value, unit) = leading(&found)?.ok_or_else(|| expected(like, text))?;
    Ok((value, unit.to_lowercase()))
}

fn expected(like: &str, text: &str) -> TypedError {
    TypedError::said(format!("expected {like}, found “{}”", text.trim()))
}

/// Focal length in millimetres: `24`, `24mm`, `2.4 cm`.
///
/// # Errors
/// What no lens has: below 1 or above 5000 mm.
pub fn focal_mm(text: &str) -> Result<f64, TypedError> {
    const LIKE: &str = "a focal length from 1 to 5000 mm, like 24";
    let (value, unit) = with_unit(text, LIKE)?;
    let mm = match unit.as_str() {
        "" | "mm" => value,
        "cm" => value * 10.0,
        _ => return Err(expected(LIKE, text)),
    };
    if (1.0..=5000.0).contains(&mm) {
        Ok(mm)
    } else {
        Err(expected(LIKE, text))
    }
}

/// Distance between two pixels in micrometres: `5.95`, `5.95um`, `5.95 µm`, `0.00595 mm`.
///
/// # Errors
/// What no sensor has, below 0.5 or above 50 µm; millimetres without their unit are told as such.
pub fn pitch_um(text: &str) -> Result<f64, TypedError> {
    const LIKE: &str = "a pixel pitch from 0.5 to 50 µm, like 5.95";
    const RANGE: std::ops::RangeInclusive<f64> = 0.5..=50.0;
    let (value, unit) = with_unit(text, LIKE)?;
    let um = match unit.as_str() {
        "" | "um" | "µm" | "μm" | "micron" | "microns" => value,
        "mm" => value * 1000.0,
        _ => return Err(expected(LIKE, text)),
    };
    let otherwise = [(1000.0, "millimetres"), (0.001, "nanometres")];
    match otherwise.iter().find(|(by, _)| RANGE.contains(&(um * by))) {
        _ if RANGE.contains(&um) => Ok(um),
        Some((by, unit)) => Err(TypedError::said(format!(
            "{} reads like {unit}; in micrometres that is {}: write {}",
            text.trim(),
            short(um * by, 4),
            short(um * by, 4)
        ))),
        None => Err(expected(LIKE, text)),
    }
}

/// An f-number: `2.8`, `f/2.8`, `f2.8`, `2,8`.
///
/// # Errors
/// What no aperture has: below 0.5 (no lens in air is faster) or above 128, pinholes apart.
pub fn f_number(text: &str) -> Result<f64, TypedError> {
    const LIKE: &str = "an f-number from 0.5 to 128, like f/2.8";
    let found = plain(text).to_lowercase();
    let bare = found.strip_prefix(['f', 'ƒ']).unwrap_or(&found);
    let bare = bare.trim_start().trim_start_matches('/');
    match leading(bare)? {
        Some((n, "")) if (0.5..=128.0).contains(&n) => Ok(n),
        _ => Err(expected(LIKE, text)),
    }
}

/// Seconds of an exposure: a bare number is in seconds; else `1/125`, `90s`, `2min`, `2'30"`.
///
/// # Errors
/// No time, or f-number or ISO beside it.
pub fn exposure_s(text: &str) -> Result<f64, TypedError> {
    let like = "a time in seconds or with its unit, like 120, 2min or 1/125";
    // 240 s (4 min) is how the program writes it.
    let found = plain(text);
    let found = match found.split_once('(') {
        Some((before, beside)) if beside.ends_with(')') => before.trim_end().to_owned(),
        _ => found,
    };
    if let Ok(Some((seconds, ""))) = leading(&found) {
        return if seconds > 0.0 && seconds <= 86_400.0 {
            Ok(seconds)
        } else {
            Err(expected(&format!("{like}, above zero and below a day"), text))
        };
    }
    match Written::parse("the exposure", &found) {
        Ok(Written {
            seconds: Some(seconds),
            f_number: None,
            iso: None,
            attachments,
        }) if attachments.is_empty() => Ok(seconds),
        Ok(_) => Err(expected(like, text)),
        Err(error) => Err(TypedError::said(error.to_string())),
    }
}

/// Per cent, 0 to 100: `30`, `30 %`. A bare figure up to 1 might be a share, and is refused.
///
/// # Errors
/// Outside 0 to 100, or unclear.
pub fn per_cent(text: &str) -> Result<f64, TypedError> {
    const LIKE: &str = "per cent from 0 to 100, like 30";
    let (value, unit) = with_unit(text, LIKE)?;
    match unit.as_str() {
        "" if value > 0.0 && value <= 1.0 => Err(TypedError::said(format!(
            "{value} may be a share or per cent; write {} % or {} %",
            short(value * 100.0, 3),
            short(value, 5)
        ))),
        "" | "%" | "percent" | "per cent" if (0.0..=100.0).contains(&value) => Ok(value),
        _ => Err(expected(LIKE, text)),
    }
}

/// A share, 0 to 1: `0.3`, `30 %`. A bare figure above 1 might be per cent, and is refused.
///
/// # Errors
/// Outside 0 to 1, or unclear.
pub fn share(text: &str) -> Result<f64, TypedError> {
    const LIKE: &str = "a share from 0 to 1, like 0.3, or per cent, like 30 %";
    let (value, unit) = with_unit(text, LIKE)?;
    match unit.as_str() {
        "" if value > 1.0 && value <= 100.0 => Err(TypedError::said(format!(
            "a share is at most 1; if {value} is per cent, write {value} % or {}",
            short(value / 100.0, 5)
        ))),
        "" if (0.0..=1.0).contains(&value) => Ok(value),
        "%" | "percent" | "per cent" if (0.0..=100.0).contains(&value) => Ok(value / 100.0),
        _ => Err(expected(LIKE, text)),
    }
}
