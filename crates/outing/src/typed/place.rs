//! Latitude and longitude together, with a height if it is there.

use super::angle::{Written, written};
use super::height::elevation_m;
use super::{TypedError, plain, short};

/// A place as it was typed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PlaceTyped {
    /// Degrees, north positive.
    pub latitude_deg: f64,
    /// Degrees, east positive.
    pub longitude_deg: f64,
    /// Metres above the sea.
    pub elevation_m: Option<f64>,
}

/// A latitude, then a longitude, perhaps a height: `38.48, -109.5`, `38°29'N 109°30'W`, `45.66° N, 24.1° E, 1240 m`.
///
/// # Errors
/// One angle only, more than two, or a text with two readings.
pub fn place(text: &str) -> Result<PlaceTyped, TypedError> {
    let found = plain(text);
    match read(&found)? {
        Read::Both(place) => Ok(place),
        Read::One | Read::Unclear => Err(TypedError::said(format!(
            "expected latitude and longitude, like 38.48, -109.5 or 38°29'N 109°30'W, found “{}”",
            text.trim()
        ))),
    }
}

/// What was typed for a latitude where the longitude may be given apart (`longitude_given`) or typed along with it: the
/// latitude alone, or both.
///
/// # Errors
/// A text with two readings, as `38 29` where no longitude is given.
pub fn latitude_or_place(text: &str, longitude_given: bool) -> Result<Result<f64, PlaceTyped>, TypedError> {
    let found = plain(text);
    match read(&found)? {
        Read::Both(_) if longitude_given => Err(TypedError::said(format!(
            "“{}” is latitude and longitude together, and a longitude is given beside it; leave one out",
            text.trim()
        ))),
        Read::Both(place) => Ok(Err(place)),
        Read::Unclear if !longitude_given => {
            let (a, b) = found.split_once([' ', ',']).unwrap_or((&found, ""));
            let (a, b) = (a.trim(), b.trim());
            let other = if found.contains(' ') {
                format!("{a}°{b}'")
            } else {
                format!("{a}.{b}")
            };
            Err(TypedError::said(format!(
                "“{}” may be the latitude {other} alone or latitude {a}, longitude {b}; write “{a}, {b}” for both, or {other} and the longitude too",
                text.trim()
            )))
        }
        _ => super::latitude_deg(text).map(Ok),
    }
}

enum Read {
    One,
    Both(PlaceTyped),
    /// Two figures that may be degrees and minutes, or two angles.
    Unclear,
}

fn read(text: &str) -> Result<Read, TypedError> {
    let parts = parts(text);
    match parts[..] {
        [_] => Ok(Read::One),
        [a, b] if unclear(text, a, b) => Ok(Read::Unclear),
        [a, b] => both(a, b, None).map(Read::Both),
        [a, b, height] => both(a, b, Some(elevation_m(height)?)).map(Read::Both),
        _ => Err(TypedError::said(format!(
            "expected latitude and longitude, like 38.48, -109.5, found “{text}”; with decimal commas part them by a semicolon"
        ))),
    }
}

/// Two bare figures side by side, the first whole: perhaps degrees and minutes.
fn unclear(text: &str, a: &str, b: &str) -> bool {
    let whole = |t: &str| {
        t.trim_start_matches(['-', '+'])
            .bytes()
            .all(|c| c.is_ascii_digit())
    };
    let bare = b.bytes().all(|c| c.is_ascii_digit() || c == b'.');
    let minutes = b.parse().is_ok_and(|m: f64| (0.0..60.0).contains(&m));
    let tight = text == format!("{a},{b}");
    let apart = !text.contains([',', ';', '/']);
    whole(a) && bare && ((apart && minutes) || (tight && !b.contains('.')))
}

fn both(a: &str, b: &str, elevation_m: Option<f64>) -> Result<PlaceTyped, TypedError> {
    let first = written(a, true)?;
    let east_first = first.side.is_some_and(|s| !s.is_latitude());
    let second = written(b, east_first)?;
    let sides = |w: Written| w.side.map(|s| s.is_latitude());
    let (latitude, longitude) = match (sides(first), sides(second)) {
        (Some(false), Some(true)) => (second, first),
        (Some(false), None) | (None, Some(true)) => {
            return Err(TypedError::said(format!(
                "latitude comes first; if {b} is the latitude, write {}, {}",
                short(second.deg, 6),
                short(first.deg, 6)
            )));
        }
        (Some(a), Some(b)) if a == b => {
            return Err(TypedError::said(format!(
                "both are {}s; expected a latitude and a longitude, like 38.48 N, 109.5 W",
                if a { "latitude" } else { "longitude" }
            )));
        }
        _ => (first, second),
    };
    Ok(PlaceTyped {
        latitude_deg: latitude.deg,
        longitude_deg: longitude.deg,
        elevation_m,
    })
}

/// The text at the signs that part angles: semicolons, slashes, commas that are no decimal commas, letters, blanks.
fn parts(text: &str) -> Vec<&str> {
    for separator in [';', '/'] {
        if text.contains(separator) {
            return trimmed(text.split(separator));
        }
    }
    let loose = commas(text, false);
    if !loose.is_empty() {
        let parts = trimmed(cut(text, &loose, 1));
        // 45.66° N 24.1° E, 1240 m: the first part is both angles, the second a height.
        return match (&parts[..], parts.first().and_then(|p| between_letters(p))) {
            ([both, height], Some(at)) => trimmed([&both[..at], &both[at..], *height]),
            _ => parts,
        };
    }
    let tight = commas(text, true);
    if text.contains('.') && !tight.is_empty() || (tight.len() == 1 && !text.contains(' ')) {
        return trimmed(cut(text, &tight, 1));
    }
    if let Some(at) = between_letters(text) {
        return trimmed(cut(text, &[at], 0));
    }
    let words: Vec<&str> = text.split(' ').filter(|w| !w.is_empty()).collect();
    let figure = |w: &&str| {
        let bare = w.trim_start_matches(['-', '+']);
        let bare = bare.strip_suffix('°').unwrap_or(bare);
        !bare.is_empty()
            && bare
                .bytes()
                .all(|c| c.is_ascii_digit() || matches!(c, b'.' | b','))
    };
    if words.len() == 2 && words.iter().all(figure) {
        words
    } else {
        vec![text]
    }
}

fn trimmed<'a>(parts: impl IntoIterator<Item = &'a str>) -> Vec<&'a str> {
    parts
        .into_iter()
        .map(str::trim)
        .filter(|p| !p.is_empty())
        .collect()
}

/// Where the commas are: those between two digits, or the others.
fn commas(text: &str, between_digits: bool) -> Vec<usize> {
    let bytes = text.as_bytes();
    let digit = |n: Option<usize>| n.and_then(|n| bytes.get(n)).is_some_and(u8::is_ascii_digit);
    let all = text.match_indices(',').map(|(at, _)| at);
    all.filter(|&at| (digit(at.checked_sub(1)) && digit(Some(at + 1))) == between_digits)
        .collect()
}

/// The text cut at places, leaving out `skip` bytes at each.
fn cut<'a>(text: &'a str, at: &[usize], skip: usize) -> Vec<&'a str> {
    let mut from = 0;
    let mut out = Vec::new();
    for &to in at {
        out.push(&text[from..to]);
        from = to + skip;
    }
    out.push(&text[from..]);
    out
}

/// Where the second angle begins in `38°29'N 109°30'W` or `N38 29 W109 30`: the one place that leaves a latitude and a
/// longitude, each with its letter.
fn between_letters(text: &str) -> Option<usize> {
    let side = |half: &str| Some(written(half.trim(), true).ok()?.side?.is_latitude());
    let cuts = text.char_indices().map(|(at, _)| at).skip(1);
    let mut whole = cuts.filter(|&at| {
        let (a, b) = text.split_at(at);
        // A blank belongs to what is before it, so that no two cuts part the same.
        !b.starts_with(' ') && side(a).zip(side(b)).is_some_and(|(a, b)| a != b)
    });
    let found = whole.next()?;
    whole.next().is_none().then_some(found)
}
