//! Plain numbers, with any minus and a decimal point or comma.

use super::{TypedError, plain};

/// A number without unit: `24`, `-24`, `−24`, `2.8`, `2,8`.
///
/// # Errors
/// Anything else; a comma before three digits, which may part thousands or decimals.
pub fn number(text: &str) -> Result<f64, TypedError> {
    let found = plain(text);
    let (value, rest) = leading(&found)?.ok_or_else(|| not_one(text))?;
    if !rest.is_empty() {
        return Err(TypedError::said(format!(
            "expected a number without unit, found “{}”; write {value}",
            text.trim()
        )));
    }
    Ok(value)
}

fn not_one(text: &str) -> TypedError {
    TypedError::said(format!(
        "expected a number without unit, like 24, found “{}”",
        text.trim()
    ))
}

/// The number at the beginning of a plain text, and the rest without leading blanks.
///
/// Thousands may be parted by blanks or apostrophes. A comma parts decimals, unless three digits follow it.
pub(super) fn leading(text: &str) -> Result<Option<(f64, &str)>, TypedError> {
    let signed = text.trim_start();
    let unsigned = signed.strip_prefix(['-', '+']).unwrap_or(signed).trim_start();
    let end = number_end(unsigned);
    let (digits, rest) = unsigned.split_at(end);
    if !digits.starts_with(|c: char| c.is_ascii_digit() || c == '.') {
        return Ok(None);
    }
    let mut figures: String = digits.chars().filter(|c| !matches!(c, ' ' | '\'')).collect();
    if let Some((whole, decimals)) = figures.split_once(',') {
        let unclear = decimals.len() == 3 && !whole.trim_start_matches('0').is_empty();
        if decimals.contains([',', '.']) || (unclear && !figures.contains('.')) {
            let (joined, parted) = (figures.replace(',', ""), figures.replace(',', "."));
            return Err(TypedError::said(format!(
                "“{digits}” may have a comma for thousands or for decimals; write {joined} or {parted}"
            )));
        }
        figures = figures.replace(',', ".");
    }
    let value: Option<f64> = figures.parse().ok().filter(|v: &f64| v.is_finite());
    let sign = if signed.starts_with('-') { -1.0 } else { 1.0 };
    Ok(value.map(|v| (sign * v, rest.trim_start())))
}

/// Where a number ends that may have thousands parted by a blank or an apostrophe.
fn number_end(text: &str) -> usize {
    let bytes = text.as_bytes();
    let digit = |n: usize| bytes.get(n).is_some_and(u8::is_ascii_digit);
    let mut at = 0;
    while at < bytes.len() {
        let more = match bytes[at] {
            b'0'..=b'9' => true,
            b'.' | b',' => digit(at + 1) || (bytes[at] == b'.' && at > 0 && digit(at - 1)),
            b' ' | b'\'' => at > 0 && digit(at - 1) && (1..4).all(|n| digit(at + n)) && !digit(at + 4),
            b'e' | b'E' => at > 0 && digit(at - 1) && exponent(&bytes[at + 1..]),
            b'-' | b'+' => at > 0 && matches!(bytes[at - 1], b'e' | b'E'),
            _ => false,
        };
        if !more {
            break;
        }
        at += 1;
    }
    at
}

/// Whether an `e` is one of 1e-3, and not the E of east.
fn exponent(after: &[u8]) -> bool {
    let digits = after
        .strip_prefix(b"-")
        .or(after.strip_prefix(b"+"))
        .unwrap_or(after);
    digits.first().is_some_and(u8::is_ascii_digit)
}
