//! FITS 4.0 (IAU FITS Working Group 2018), one primary array of 32-bit floats.

use std::io::{self, Write};
use std::path::Path;

use super::WriteError;
use crate::Plane;
use crate::atomic::write_whole;

/// Bytes of one header card (FITS 4.0, section 3.3).
const CARD: usize = 80;
/// Bytes of one block, to which header and data are padded (section 3.1).
const BLOCK: usize = 2880;
/// Characters of a string between its quotes that fit one card (section 4.2.1).
const TEXT_ROOM: usize = 68;
/// Characters of commentary on one card (section 4.4.2.4).
const COMMENTARY_ROOM: usize = 72;
/// Values turned into bytes at a time.
const CHUNK: usize = 1 << 16;
/// Keywords that this writer sets itself.
const RESERVED: [&str; 8] = [
    "SIMPLE", "BITPIX", "NAXIS", "NAXIS1", "NAXIS2", "NAXIS3", "EXTEND", "END",
];

/// The value of a header keyword.
#[derive(Clone, Debug, PartialEq)]
pub enum FitsValue {
    /// Text of printable ASCII, at most 68 characters with each quote counted twice. For the keywords
    /// `COMMENT` and `HISTORY` any length: it is wrapped.
    Text(String),
    /// A finite number.
    Float(f64),
    /// A whole number.
    Integer(i64),
    /// True or false.
    Logical(bool),
}

/// Writes one or more planes of one size as 32-bit floats, values as they are. Each keyword is name
/// (A–Z, 0–9, `-`, `_`, at most 8), value, comment (shortened where it does not fit).
///
/// The first row of the array is the *top* row of the picture; the header says so in a comment.
///
/// # Errors
/// [`WriteError`] when there is no plane or sizes differ, a keyword or its value is not allowed, or
/// the file cannot be written.
pub fn write_fits_f32(
    path: &Path,
    planes: &[&Plane],
    keywords: &[(&str, FitsValue, &str)],
) -> Result<(), WriteError> {
    let header = header(path, planes, keywords)?;
    write_whole(path, |file| {
        file.write_all(&header)?;
        for plane in planes {
            write_values(file, plane.data())?;
        }
        let bytes: usize = planes.iter().map(|p| p.data().len() * 4).sum();
        file.write_all(&vec![0; bytes.next_multiple_of(BLOCK) - bytes])
    })
    .map_err(WriteError::io(path))
}

fn write_values(out: &mut impl Write, values: &[f32]) -> io::Result<()> {
    let mut bytes = Vec::with_capacity(CHUNK * 4);
    for chunk in values.chunks(CHUNK) {
        bytes.clear();
        bytes.extend(chunk.iter().flat_map(|v| v.to_be_bytes()));
        out.write_all(&bytes)?;
    }
    Ok(())
}

fn header(
    path: &Path,
    planes: &[&Plane],
    keywords: &[(&str, FitsValue, &str)],
) -> Result<Vec<u8>, WriteError> {
    let size = |p: &&Plane| (p.width(), p.height());
    let Some(first) = planes.first().map(size) else {
        return Err(WriteError::shape(path, "at least one plane", "none"));
    };
    if planes.iter().any(|p| size(p) != first) {
        return Err(WriteError::shape(
            path,
            "planes of one size",
            format!("{:?}", planes.iter().map(size).collect::<Vec<_>>()),
        ));
    }
    let mut cards = Cards(Vec::new());
    cards.value("SIMPLE", "T", "conforms to FITS 4.0");
    cards.value("BITPIX", "-32", "IEEE single precision");
    cards.value("NAXIS", if planes.len() == 1 { "2" } else { "3" }, "");
    cards.value("NAXIS1", &first.0.to_string(), "pixels across");
    cards.value("NAXIS2", &first.1.to_string(), "pixels down");
    if planes.len() > 1 {
        cards.value("NAXIS3", &planes.len().to_string(), "planes: red, green, blue");
    }
    cards.commentary(
        "COMMENT",
        "The first row of the array is the top row of the picture.",
    );
    for (name, value, comment) in keywords {
        keyword(path, &mut cards, name, value, comment)?;
    }
    Ok(cards.finish())
}

fn keyword(
    path: &Path,
    cards: &mut Cards,
    name: &str,
    value: &FitsValue,
    comment: &str,
) -> Result<(), WriteError> {
    let allowed = |b: u8| b.is_ascii_uppercase() || b.is_ascii_digit() || b == b'-' || b == b'_';
    if name.is_empty() || name.len() > 8 || !name.bytes().all(allowed) {
        return Err(WriteError::text(
            path,
            name,
            "a FITS keyword is 1 to 8 of A–Z, 0–9, - and _",
        ));
    }
    if RESERVED.contains(&name) {
        return Err(WriteError::text(
            path,
            name,
            "this FITS keyword follows from the pixels",
        ));
    }
    if !printable(comment) {
        return Err(WriteError::text(
            path,
            comment,
            "FITS headers hold printable ASCII only",
        ));
    }
    match value {
        FitsValue::Text(text) if !printable(text) => Err(WriteError::text(
            path,
            text,
            "FITS headers hold printable ASCII only",
        )),
        FitsValue::Text(text) if name == "COMMENT" || name == "HISTORY" => {
            cards.commentary(name, text);
            Ok(())
        }
        FitsValue::Text(text) => {
            let quoted = text.replace('\'', "''");
            if quoted.len() > TEXT_ROOM {
                return Err(WriteError::text(
                    path,
                    text,
                    "a FITS text is at most 68 characters",
                ));
            }
            cards.value(name, &format!("'{quoted:<8}'"), comment);
            Ok(())
        }
        FitsValue::Float(number) if !number.is_finite() => Err(WriteError::text(
            path,
            &number.to_string(),
            "a FITS number is finite",
        )),
        FitsValue::Float(number) => {
            // {:?} is the shortest text that reads back as the same number, always with . or e.
            cards.value(name, &format!("{number:?}").to_uppercase(), comment);
            Ok(())
        }
        FitsValue::Integer(number) => {
            cards.value(name, &number.to_string(), comment);
            Ok(())
        }
        FitsValue::Logical(flag) => {
            cards.value(name, if *flag { "T" } else { "F" }, comment);
            Ok(())
        }
    }
}

fn printable(text: &str) -> bool {
    text.bytes().all(|b| (0x20..0x7f).contains(&b))
}

/// Header cards in the making; all text is printable ASCII by now.
struct Cards(Vec<u8>);

impl Cards {
    /// Fixed format: text from column 11, everything else ending in column 30.
    fn value(&mut self, name: &str, value: &str, comment: &str) {
        let mut card = if value.starts_with('\'') {
            format!("{name:<8}= {value:<20}")
        } else {
            format!("{name:<8}= {value:>20}")
        };
        if !comment.is_empty() && card.len() + 3 < CARD {
            card.push_str(" / ");
            card.push_str(comment);
        }
        self.push(&card);
    }
    fn commentary(&mut self, name: &str, text: &str) {
        let mut rest = text;
        loop {
            let (line, after) = rest.split_at(rest.len().min(COMMENTARY_ROOM));
            self.push(&format!("{name:<8}{line}"));
            rest = after;
            if rest.is_empty() {
                break;
            }
        }
    }
    fn push(&mut self, card: &str) {
        let start = self.0.len();
        self.0.extend(card.bytes().take(CARD));
        self.0.resize(start + CARD, b' ');
    }
    fn finish(mut self) -> Vec<u8> {
        self.push("END");
        let padded = self.0.len().next_multiple_of(BLOCK);
        self.0.resize(padded, b' ');
        self.0
    }
}
