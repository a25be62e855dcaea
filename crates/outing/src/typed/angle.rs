//! Latitude and longitude by themselves.

use super::{TypedError, plain, short};

/// One angle as it was written.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Written {
    /// Degrees; north and east positive.
    pub(super) deg: f64,
    /// Which way a letter said it goes.
    pub(super) side: Option<Side>,
    /// How many of degrees, minutes and seconds were written.
    pub(super) parts: usize,
    /// Whether a sign or a mark of degrees, minutes or seconds was written.
    pub(super) marked: bool,
}

/// What a letter says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Side {
    North,
    South,
    East,
    West,
}

impl Side {
    fn named(word: &str) -> Option<Self> {
        Some(match word.to_lowercase().as_str() {
            "n" | "north" => Self::North,
            "s" | "south" => Self::South,
            "e" | "east" => Self::East,
            "w" | "west" => Self::West,
            _ => return None,
        })
    }

    pub(super) fn is_latitude(self) -> bool {
        matches!(self, Self::North | Self::South)
    }

    fn letter(self) -> char {
        match self {
            Self::North => 'N',
            Self::South => 'S',
            Self::East => 'E',
            Self::West => 'W',
        }
    }
}

/// Latitude in degrees, north positive: `38.48`, `-24`, `38°29'N`, `38 29.5 N`, `21d50m S`, `N 38:29:13`.
///
/// # Errors
/// What is no angle, and a longitude by its letter.
pub fn latitude_deg(text: &str) -> Result<f64, TypedError> {
    one(text, true)
}

/// Longitude in degrees, east positive, written like a latitude with E or W.
///
/// # Errors
/// What is no angle, and a latitude by its letter.
pub fn longitude_deg(text: &str) -> Result<f64, TypedError> {
    one(text, false)
}

fn one(text: &str, latitude: bool) -> Result<f64, TypedError> {
    let found = written(&plain(text), latitude)?;
    match found.side {
        Some(side) if side.is_latitude() != latitude => Err(TypedError::said(format!(
            "{} is {}; expected a {} like {}",
            text.trim(),
            if latitude { "a longitude" } else { "a latitude" },
            if latitude { "latitude" } else { "longitude" },
            forms(found.deg.abs(), if latitude { 'N' } else { 'E' })
        ))),
        _ => Ok(found.deg),
    }
}

/// The forms that are taken, with a value in them.
fn forms(deg: f64, letter: char) -> String {
    let whole = deg.trunc();
    let minutes = (deg - whole) * 60.0;
    format!(
        "{}, {} {letter} or {whole:.0}°{}'{letter}",
        short(deg, 5),
        short(deg, 5),
        short(minutes, 3)
    )
}

/// A piece of an angle.
#[derive(Clone, Debug, PartialEq)]
enum Piece {
    Sign(bool),
    Number(f64, bool),
    Mark(usize),
    /// A letter `s` or `S`, which may be seconds or south.
    Ess(bool),
    Side(Side),
}

/// Reads one angle of a plain text.
pub(super) fn written(text: &str, latitude: bool) -> Result<Written, TypedError> {
    let pieces = pieces(text, latitude)?;
    let mut read = Reader {
        text,
        latitude,
        figures: Vec::new(),
        fraction: false,
        marks: 0,
        negative: None,
        side: None,
    };
    for (n, piece) in pieces.iter().enumerate() {
        read.take(piece, n + 1 == pieces.len())?;
    }
    read.finish()
}

fn unread(text: &str, latitude: bool) -> TypedError {
    let (what, like) = if latitude {
        ("a latitude", "38.48, 38°29'N or 38 29.5 N")
    } else {
        ("a longitude", "-109.5, 109°30'W or 109 30.5 W")
    };
    TypedError::said(format!("expected {what} in degrees, like {like}, found “{text}”"))
}

fn pieces(text: &str, latitude: bool) -> Result<Vec<Piece>, TypedError> {
    let mut out = Vec::new();
    let mut rest = text.trim_start();
    while let Some(c) = rest.chars().next() {
        let len = match c {
            '0'..='9' | '.' => {
                let len = rest
                    .find(|c: char| !(c.is_ascii_digit() || matches!(c, '.' | ',')))
                    .unwrap_or(rest.len());
                let figure = rest[..len].trim_end_matches(',').replace(',', ".");
                let value = figure.parse().map_err(|_| unread(text, latitude))?;
                out.push(Piece::Number(value, figure.contains('.')));
                rest[..len].trim_end_matches(',').len()
            }
            '-' | '+' => {
                out.push(Piece::Sign(c == '-'));
                1
            }
            '°' | '\'' | '"' => {
                out.push(Piece::Mark(match c {
                    '°' => 1,
                    '\'' => 2,
                    _ => 3,
                }));
                c.len_utf8()
            }
            ':' => 1,
            c if c.is_alphabetic() => {
                let len = rest.find(|c: char| !c.is_alphabetic()).unwrap_or(rest.len());
                out.push(word(&rest[..len]).ok_or_else(|| unread(text, latitude))?);
                len
            }
            _ => return Err(unread(text, latitude)),
        };
        rest = rest[len..].trim_start();
    }
    Ok(out)
}

fn word(word: &str) -> Option<Piece> {
    if word.eq_ignore_ascii_case("s") {
        return Some(Piece::Ess(word == "S"));
    }
    Some(match word.to_lowercase().as_str() {
        "d" | "deg" | "degree" | "degrees" => Piece::Mark(1),
        "m" | "min" | "minutes" => Piece::Mark(2),
        "sec" | "seconds" => Piece::Mark(3),
        _ => Piece::Side(Side::named(word)?),
    })
}

struct Reader<'a> {
    text: &'a str,
    latitude: bool,
    figures: Vec<f64>,
    /// The last figure has decimals.
    fraction: bool,
    marks: usize,
    negative: Option<bool>,
    side: Option<Side>,
}

impl Reader<'_> {
    fn unread(&self) -> TypedError {
        unread(self.text, self.latitude)
    }

    fn take(&mut self, piece: &Piece, last: bool) -> Result<(), TypedError> {
        match piece {
            Piece::Sign(negative) if self.figures.is_empty() && self.negative.is_none() => {
                self.negative = Some(*negative);
            }
            Piece::Number(..) if self.figures.len() == 3 => return Err(self.unread()),
            Piece::Number(..) if self.fraction => return Err(self.split()),
            Piece::Number(value, fraction) => {
                self.figures.push(*value);
                self.fraction = *fraction;
            }
            Piece::Mark(n) if self.figures.len() == *n => self.marks += 1,
            Piece::Ess(upper) => self.ess(*upper, last)?,
            Piece::Side(side) if self.side.is_none() && (self.figures.is_empty() || last) => {
                self.side = Some(*side);
            }
            _ => return Err(self.unread()),
        }
        Ok(())
    }

    /// Behind a third figure it may be seconds; elsewhere it is south.
    fn ess(&mut self, upper: bool, last: bool) -> Result<(), TypedError> {
        let third = self.figures.len() == 3;
        if third && self.marks == 2 && (!last || self.side.is_some() || !upper) {
            self.marks += 1;
            return Ok(());
        }
        if third && self.marks < 3 && !(upper && self.marks == 0) {
            let [d, m, s] = [0, 1, 2].map(|n| short(self.figures[n], 4));
            return Err(TypedError::said(format!(
                "the s of “{}” may be seconds or south; write {d}°{m}'{s}\"S or {d}°{m}'{s}\"N",
                self.text
            )));
        }
        if self.side.is_some() || !(last || self.figures.is_empty()) {
            return Err(self.unread());
        }
        self.side = Some(Side::South);
        Ok(())
    }

    /// More figures after one that has decimals.
    fn split(&self) -> TypedError {
        let letter = if self.latitude { 'N' } else { 'E' };
        let first = self.figures[0];
        TypedError::said(format!(
            "“{}” has decimals before its last figure; write {}, or whole degrees and then minutes, like {:.0}°{}'{letter}",
            self.text,
            short(first, 6),
            first.trunc(),
            short(first.fract() * 60.0, 3)
        ))
    }

    fn finish(self) -> Result<Written, TypedError> {
        let Some(&degrees) = self.figures.first() else {
            return Err(self.unread());
        };
        let (minutes, seconds) = (self.figure(1), self.figure(2));
        let deg = degrees + minutes / 60.0 + seconds / 3600.0;
        if minutes >= 60.0 || seconds >= 60.0 {
            let letter = self
                .side
                .map_or(if self.latitude { 'N' } else { 'E' }, Side::letter);
            return Err(TypedError::said(format!(
                "“{}” has 60 or more minutes or seconds; write {} if that is meant",
                self.text,
                forms(deg, letter)
            )));
        }
        if let (Some(true), Some(side)) = (self.negative, self.side) {
            return Err(TypedError::said(format!(
                "“{}” has a minus and a letter; write {} {} or -{}",
                self.text,
                short(deg, 6),
                side.letter(),
                short(deg, 6)
            )));
        }
        let south_or_west = matches!(self.side, Some(Side::South | Side::West));
        let sign = if self.negative == Some(true) || south_or_west {
            -1.0
        } else {
            1.0
        };
        Ok(Written {
            deg: sign * deg,
            side: self.side,
            parts: self.figures.len(),
            marked: self.marks > 0 || self.text.contains(':'),
        })
    }

    fn figure(&self, n: usize) -> f64 {
        self.figures.get(n).copied().unwrap_or(0.0)
    }
}
