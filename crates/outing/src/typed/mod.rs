//! What people type: places, heights, dates, times, exposures, shares. The one reader for command line, settings and
//! pages.
//!
//! A text is read in one way or refused. A refusal says which forms are taken, with the person's own value written in
//! them; where two readings are possible it shows both and takes neither.

mod angle;
mod day;
mod figure;
mod height;
mod moment;
mod number;
mod place;
mod temperature;

pub use angle::{latitude_deg, longitude_deg};
pub use day::date;
pub use figure::{exposure_s, f_number, focal_mm, per_cent, pitch_um, share};
pub use height::{FOOT_M, elevation_by, elevation_m};
pub use moment::{MomentTyped, clock_time, moment};
pub use number::number;
pub use place::{PlaceTyped, latitude_or_place, place};
pub use temperature::{celsius, fahrenheit, temperature_c};

/// A text that was not taken: what is wrong with it, and how it is written instead.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct TypedError(String);

impl TypedError {
    fn said(sentence: impl Into<String>) -> Self {
        Self(sentence.into())
    }
}

/// One sign for each of the many that stand for minus, degrees, minutes, seconds and blanks.
fn plain(text: &str) -> String {
    let one = |c: char| match c {
        '\u{2212}' | '\u{2013}' | '\u{2010}' | '\u{2011}' => '-',
        '\u{ba}' | '\u{2da}' => '°',
        '\u{2019}' | '\u{2018}' | '\u{2032}' | '`' | '\u{b4}' => '\'',
        '\u{201d}' | '\u{201c}' | '\u{2033}' => '"',
        '\u{a0}' | '\u{202f}' | '\u{2009}' | '\t' | '\n' | '\r' => ' ',
        other => other,
    };
    let plain: String = text.trim().chars().map(one).collect();
    plain.replace("''", "\"")
}

/// A figure without more decimals than it has, at most `decimals`.
fn short(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    if !text.contains('.') {
        return text;
    }
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" { "0".into() } else { text.into() }
}
