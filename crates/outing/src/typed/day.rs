//! Dates.

use jiff::civil::Date;

use super::{TypedError, plain};

/// A date: `2027-01-09`, `2027/1/9`, `20270109`, `9 Jan 2027`, `January 9, 2027`.
///
/// # Errors
/// No such day; a day and a month that may be either; a year of two digits.
pub fn date(text: &str) -> Result<Date, TypedError> {
    let found = plain(text);
    if let Some(date) = by_figures(&found)? {
        return Ok(date);
    }
    by_month_name(&found)?.ok_or_else(|| {
        TypedError::said(format!(
            "expected a date, like 2027-01-09 or 9 Jan 2027, found “{}”",
            text.trim()
        ))
    })
}

fn day(year: i16, month: i8, day: i8) -> Result<Date, TypedError> {
    Date::new(year, month, day).map_err(|_| {
        TypedError::said(format!(
            "there is no {year:04}-{month:02}-{day:02}; expected year, month and day, like {year:04}-01-09"
        ))
    })
}

fn by_figures(text: &str) -> Result<Option<Date>, TypedError> {
    let parts: Vec<&str> = text.split(['-', '/', '.']).map(str::trim).collect();
    let figures = |t: &&str| !t.is_empty() && t.bytes().all(|c| c.is_ascii_digit());
    if !parts.iter().all(figures) {
        return Ok(None);
    }
    let number = |t: &str| t.parse::<i16>().unwrap_or(i16::MAX);
    let small = |t: &str| t.parse::<i8>().unwrap_or(i8::MAX);
    match parts[..] {
        [whole] if whole.len() == 8 => {
            day(number(&whole[..4]), small(&whole[4..6]), small(&whole[6..])).map(Some)
        }
        [year, month, d] if year.len() == 4 => day(number(year), small(month), small(d)).map(Some),
        [a, b, year] if year.len() == 4 => Err(either_way(text, small(a), small(b), number(year))),
        [_, _, year] if year.len() == 2 => Err(TypedError::said(format!(
            "“{text}” has a year of two figures; write year, month and day, like 20{year}-01-09"
        ))),
        _ => Ok(None),
    }
}

/// Day and month in the order of one country or another.
fn either_way(text: &str, a: i8, b: i8, year: i16) -> TypedError {
    let mut readings: Vec<String> = [(b, a), (a, b)]
        .into_iter()
        .filter_map(|(month, day)| Date::new(year, month, day).ok())
        .map(|date| date.to_string())
        .collect();
    readings.dedup();
    if readings.is_empty() {
        readings.push(format!("{year:04}-01-09"));
    }
    TypedError::said(format!(
        "“{text}” has the year last, and countries differ in what comes first; write {}",
        readings.join(" or ")
    ))
}

const MONTHS: [&str; 12] = [
    "january",
    "february",
    "march",
    "april",
    "may",
    "june",
    "july",
    "august",
    "september",
    "october",
    "november",
    "december",
];

fn by_month_name(text: &str) -> Result<Option<Date>, TypedError> {
    let words: Vec<&str> = text
        .split([' ', ',', '-', '.'])
        .filter(|w| !w.is_empty())
        .collect();
    let month = |word: &str| {
        let word = word.to_lowercase();
        let at = MONTHS
            .iter()
            .position(|m| word.len() >= 3 && m.starts_with(&word));
        at.and_then(|n| i8::try_from(n + 1).ok())
    };
    let [a, b, c] = words[..] else { return Ok(None) };
    let (m, d, y) = match (month(a), month(b)) {
        (Some(m), _) => (m, b, c),
        (_, Some(m)) => (m, a, c),
        _ => return Ok(None),
    };
    let d = d.trim_end_matches(char::is_alphabetic);
    match (d.parse::<i8>(), y.parse::<i16>()) {
        (Ok(d), Ok(y)) if y >= 1000 => day(y, m, d).map(Some),
        _ => Ok(None),
    }
}
