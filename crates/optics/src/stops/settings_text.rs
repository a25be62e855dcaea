//! Reads settings as a photographer writes them: `15s f/2.8 ISO6400`.

use super::{Attachment, Setting, StopsError};

/// No lens in air is faster: N = 1/(2 sin 90°).
pub(super) const FASTEST: f64 = 0.5;
/// A pinhole is about f/200; what is beyond this is a slip.
const SLOWEST: f64 = 10_000.0;
/// A day. No exposure is longer.
pub(super) const LONGEST_S: f64 = 86_400.0;
const SHORTEST_S: f64 = 1e-6;

/// Settings as written; what was left out is `None`.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize)]
pub struct Written {
    /// Seconds.
    pub seconds: Option<f64>,
    /// Relative aperture as engraved, without attachments.
    pub f_number: Option<f64>,
    /// ISO speed; always a mark of the series.
    pub iso: Option<f64>,
    /// Filters and converters.
    pub attachments: Vec<Attachment>,
}

impl Written {
    /// One of the three.
    pub fn get(&self, setting: Setting) -> Option<f64> {
        match setting {
            Setting::Time => self.seconds,
            Setting::Aperture => self.f_number,
            Setting::Iso => self.iso,
        }
    }

    /// Reads settings.
    ///
    /// Times are `15s`, `15"`, `2min`, `2'30"`, `1h`, `250ms`, `1/15` (with or without `s`); apertures
    /// `f/2.8` or `f2.8`; speeds `ISO6400`; filters `ND8` (factor), `ND0.9` (density), `ND 3 stops`;
    /// converters `1.4x`, `0.71x`. In any order, with blanks, commas or semicolons between.
    /// `field` is what an error calls the text.
    ///
    /// # Errors
    /// On a number without unit, zero or negative values, an ISO that is no mark, a setting given
    /// twice, and anything not understood.
    pub fn parse(field: &str, text: &str) -> Result<Self, StopsError> {
        let mut reader = Reader { field, text, at: 0 };
        let mut written = Self::default();
        let mut last_unit_s = 0.0;
        loop {
            reader.skip(|c| c.is_whitespace() || c == ',' || c == ';');
            if reader.rest().is_empty() {
                return Ok(written);
            }
            let unit_s = reader.item(&mut written, last_unit_s)?;
            last_unit_s = unit_s;
        }
    }
}

struct Reader<'a> {
    field: &'a str,
    text: &'a str,
    at: usize,
}

impl<'a> Reader<'a> {
    fn rest(&self) -> &'a str {
        &self.text[self.at..]
    }

    fn skip(&mut self, which: impl Fn(char) -> bool) -> &'a str {
        let rest = self.rest();
        let end = rest.find(|c| !which(c)).unwrap_or(rest.len());
        self.at += end;
        &rest[..end]
    }

    fn blanks(&mut self) {
        self.skip(char::is_whitespace);
    }

    /// Takes a word if it stands here, in any case.
    fn word(&mut self, word: &str) -> bool {
        let here = self.rest().get(..word.len());
        let found = here.is_some_and(|h| h.eq_ignore_ascii_case(word));
        if found {
            self.at += word.len();
        }
        found
    }

    /// Reads one setting or attachment; gives the unit of a time in seconds, else 0.
    fn item(&mut self, to: &mut Written, last_unit_s: f64) -> Result<f64, StopsError> {
        let start = self.at;
        if self.word("iso") {
            let iso = self.number_after("ISO", "ISO6400")?;
            self.once(&mut to.iso, iso, "the ISO")?;
            self.check_iso(iso)?;
        } else if self.word("nd") {
            to.attachments.push(self.filter()?);
        } else if self.word("f") || self.word("ƒ") {
            self.blanks();
            self.skip(|c| c == '/');
            let n = self.number_after("f/", "f/2.8")?;
            self.once(&mut to.f_number, n, "the f-number")?;
            self.check_f_number(n)?;
        } else if self.word("x") {
            let factor = self.number_after("x", "1.4x")?;
            to.attachments.push(self.converter(factor)?);
        } else if self
            .rest()
            .starts_with(|c: char| c.is_ascii_digit() || ".-+−".contains(c))
        {
            return self.time_or_converter(to, start, last_unit_s);
        } else {
            return Err(self.unknown(self.token()));
        }
        Ok(0.0)
    }

    fn time_or_converter(
        &mut self,
        to: &mut Written,
        start: usize,
        last_unit_s: f64,
    ) -> Result<f64, StopsError> {
        let (value, fraction) = self.fraction()?;
        let end_of_number = self.at;
        self.blanks();
        if self.word("x") || self.word("×") {
            to.attachments.push(self.converter(value)?);
            return Ok(0.0);
        }
        let unit_s = match self.unit() {
            Some(unit) => unit,
            None if fraction => {
                self.at = end_of_number;
                1.0
            }
            None => {
                return Err(StopsError::NoUnit {
                    field: self.field.into(),
                    found: self.text[start..end_of_number].trim().into(),
                });
            }
        };
        let seconds = value * unit_s;
        match to.seconds {
            // 2'30": the smaller unit goes on from the larger one.
            Some(before) if unit_s < last_unit_s && value >= 0.0 => to.seconds = Some(before + seconds),
            _ => self.once(&mut to.seconds, seconds, "the time")?,
        }
        self.check_time(to.seconds.unwrap_or(seconds))?;
        Ok(unit_s)
    }

    /// Seconds of the unit that stands here.
    fn unit(&mut self) -> Option<f64> {
        for (sign, unit) in [("\"", 1.0), ("″", 1.0), ("''", 1.0), ("'", 60.0), ("′", 60.0)] {
            if self.word(sign) {
                return Some(unit);
            }
        }
        let before = self.at;
        let word = self.skip(char::is_alphabetic).to_ascii_lowercase();
        let unit = match word.as_str() {
            "s" | "sec" | "secs" | "second" | "seconds" => 1.0,
            "m" | "min" | "mins" | "minute" | "minutes" => 60.0,
            "h" | "hr" | "hrs" | "hour" | "hours" => 3600.0,
            "ms" => 1e-3,
            _ => {
                self.at = before;
                return None;
            }
        };
        Some(unit)
    }

    /// A number, or one over another.
    fn fraction(&mut self) -> Result<(f64, bool), StopsError> {
        let start = self.at;
        let upper = self.number()?;
        let after = self.at;
        self.blanks();
        if !self.word("/") {
            self.at = after;
            return Ok((upper, false));
        }
        self.blanks();
        let lower = self.number()?;
        if lower == 0.0 {
            return Err(self.value("the time", &self.text[start..self.at], "above zero, like 1/15"));
        }
        Ok((upper / lower, true))
    }

    fn number_after(&mut self, what: &str, example: &'static str) -> Result<f64, StopsError> {
        self.blanks();
        if self
            .rest()
            .starts_with(|c: char| c.is_ascii_digit() || ".-+−".contains(c))
        {
            return self.number();
        }
        Err(StopsError::NoNumber {
            field: self.field.into(),
            what: what.into(),
            example,
        })
    }

    fn number(&mut self) -> Result<f64, StopsError> {
        let start = self.at;
        let negative = self.word("-") || self.word("−");
        if !negative {
            self.word("+");
        }
        let digits = self.skip(|c| c.is_ascii_digit() || c == '.');
        let value: f64 = digits.parse().map_err(|_| self.unknown(&self.text[start..]))?;
        let next = self.rest().as_bytes();
        if next.first() == Some(&b',') && next.get(1).is_some_and(u8::is_ascii_digit) {
            self.skip(|c| c.is_ascii_digit() || c == ',');
            return Err(StopsError::DecimalComma {
                field: self.field.into(),
                found: self.text[start..self.at].into(),
            });
        }
        Ok(if negative { -value } else { value })
    }

    /// What stands after `ND`.
    fn filter(&mut self) -> Result<Attachment, StopsError> {
        self.blanks();
        let start = self.at;
        let value = self.number_after("ND", "ND8")?;
        let written = &self.text[start..self.at];
        if !(value > 0.0 && value <= 1e9) {
            return Err(self.value("a filter", written, "above zero, like ND8 or ND0.9"));
        }
        let after = self.at;
        self.blanks();
        if self.word("stops") || self.word("stop") {
            return Ok(Attachment::Stops(value));
        }
        self.at = after;
        if written.contains('.') {
            return Ok(Attachment::Density(value));
        }
        // ND3 may be a factor of 3, a density of 3.0 or three stops.
        if value < 2.0 || (value < 10.0 && value.log2().fract() != 0.0) {
            return Err(StopsError::FilterUnclear {
                field: self.field.into(),
                found: written.into(),
            });
        }
        Ok(Attachment::Factor(value))
    }

    fn converter(&self, factor: f64) -> Result<Attachment, StopsError> {
        if !(0.1..=10.0).contains(&factor) {
            return Err(self.value("a converter", &factor.to_string(), "from 0.1x to 10x, like 1.4x"));
        }
        Ok(Attachment::Converter(factor))
    }

    fn once(&self, place: &mut Option<f64>, value: f64, what: &'static str) -> Result<(), StopsError> {
        if place.replace(value).is_some() {
            return Err(StopsError::Twice {
                field: self.field.into(),
                what,
            });
        }
        Ok(())
    }

    fn check_time(&self, seconds: f64) -> Result<(), StopsError> {
        if seconds > LONGEST_S {
            return Err(StopsError::LongerThanADay {
                field: self.field.into(),
                hours: seconds / 3600.0,
            });
        }
        if seconds < SHORTEST_S {
            return Err(self.value(
                "the time",
                &format!("{seconds} s"),
                "above zero, like 15s or 1/15",
            ));
        }
        Ok(())
    }

    fn check_f_number(&self, n: f64) -> Result<(), StopsError> {
        if !(FASTEST..=SLOWEST).contains(&n) {
            return Err(self.value(
                "the f-number",
                &format!("f/{n}"),
                "from f/0.5 to f/10000, like f/2.8",
            ));
        }
        Ok(())
    }

    fn check_iso(&self, iso: f64) -> Result<(), StopsError> {
        if Setting::Iso.place_of(iso).is_some() {
            return Ok(());
        }
        let nearest = Setting::Iso.nearest(iso).and_then(|n| Setting::Iso.marked(n));
        match nearest {
            Some(nearest) => Err(StopsError::IsoOffSeries {
                field: self.field.into(),
                found: iso,
                nearest,
            }),
            None => Err(self.value("the ISO", &iso.to_string(), "above zero, like ISO6400")),
        }
    }

    fn value(&self, what: &'static str, found: &str, expected: &'static str) -> StopsError {
        StopsError::Value {
            field: self.field.into(),
            what,
            found: found.trim().into(),
            expected,
        }
    }

    fn token(&self) -> &'a str {
        let rest = self.rest();
        rest.split_whitespace().next().unwrap_or(rest)
    }

    fn unknown(&self, found: &str) -> StopsError {
        StopsError::Unknown {
            field: self.field.into(),
            found: found.split_whitespace().next().unwrap_or(found).into(),
        }
    }
}
