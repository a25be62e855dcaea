//! Damage that a decoder does not notice: a file that is whole by its structure, but in which a card, a cable or a disk
//! lost or moved pixels. Looked for in the values as they are stored, before anything is done to them.
//!
//! Each kind is told by something that light on a sensor cannot do: the same number in thousands of pixels, the same
//! noise twice, numbers beyond the sensor's range.
//!
//! What it cannot see: rows moved by few pixels of the same filter where nothing stands across the boundary, rows of a dark or
//! of rocks moved at all (nothing in them goes on from row to row), and damage in a lossy picture (JPEG) that leaves no flat
//! area. Of painted frames whose rows were moved by 256 pixels or an odd number: all 27 flats, half and four in five of the skies,
//! a third of the land.

mod constant;
mod impossible;
mod repeated;
mod shifted;

use std::path::Path;

use crate::decode::{Channels, Coded, DecodeError, DecodeOptions, Limits, Samples, decode_coded};

/// What is wrong with some rows of a file.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum DamageKind {
    /// All pixels have one value.
    Constant,
    /// The same from some row to the end of the file.
    Tail,
    /// The pixels of other rows, noise and all.
    Repeated,
    /// Numbers that the sensor cannot give.
    Impossible,
    /// Pixels that belong elsewhere in their rows.
    Shifted,
}

/// Rows of a file, as it stores them, that are not what the sensor gave.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Damage {
    /// First and last row, counted from 0 in the order of the file.
    pub rows: [usize; 2],
    /// What is wrong.
    pub kind: DamageKind,
}

impl std::fmt::Display for Damage {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let [first, last] = self.rows;
        match first == last {
            true => write!(f, "row {first} ")?,
            false => write!(f, "rows {first} to {last} ")?,
        }
        let one = first == last;
        f.write_str(match self.kind {
            DamageKind::Constant if one => "has one value in all of its pixels or most",
            DamageKind::Constant => "have one value in all of their pixels or most",
            DamageKind::Tail => "to the end were never written",
            DamageKind::Repeated => "hold the same noise as other rows",
            DamageKind::Impossible => "hold numbers that the sensor cannot give",
            DamageKind::Shifted => "are moved sideways",
        })
    }
}

/// Damage of a file's pixels that its decoder does not notice, in this process.
///
/// # Errors
/// As [`decode_here`](crate::decode_here).
pub fn find_damage(
    path: &Path,
    options: &DecodeOptions,
    limits: &Limits,
) -> Result<Vec<Damage>, DecodeError> {
    Ok(find(&decode_coded(path, options, limits)?))
}

/// Decodes a file; silent damage is an error unless the options say otherwise.
pub(crate) fn decode_sound(
    path: &Path,
    options: &DecodeOptions,
    limits: &Limits,
) -> Result<Coded, DecodeError> {
    let coded = decode_coded(path, options, limits)?;
    if options.damaged_too {
        return Ok(coded);
    }
    let found = find(&coded);
    if found.is_empty() {
        return Ok(coded);
    }
    let told: Vec<String> = found.iter().map(ToString::to_string).collect();
    Err(DecodeError::damaged(path, told.join(", ")))
}

/// The most that is told of one file.
const MOST: usize = 8;

/// What is wrong with the pixels, in the order of rows.
fn find(coded: &Coded) -> Vec<Damage> {
    let Coded { header, samples } = coded;
    let stored = |bits: u32| Stored {
        width: header.width,
        channels: header.channels.count(),
        mosaic: matches!(header.channels, Channels::Mosaic(_)),
        bayer: matches!(header.channels, Channels::Mosaic(cfa) if cfa.side() == 2),
        black: header.black[0],
        white: header.white[0],
        bits,
    };
    let mut found = match samples {
        Samples::U8(v) => all(&stored(8), v),
        Samples::U16(v) => all(&stored(16), v),
        Samples::F32(v) => all(&stored(32), v),
    };
    found.sort_unstable();
    found.truncate(MOST);
    found
}

fn all<T: Sample>(stored: &Stored, values: &[T]) -> Vec<Damage> {
    let row = stored.width * stored.channels;
    if row == 0 || values.len() / row < 16 || row < 64 {
        // Too few pixels to say what is usual.
        return Vec::new();
    }
    let mut found = constant::find(stored, values);
    if stored.mosaic {
        found.extend(repeated::find(stored, values));
        found.extend(impossible::find(stored, values));
        if found.is_empty() {
            // What is lost or rubbish does not go on either.
            found.extend(shifted::find(stored, values));
        }
    }
    found
}

/// What the values are.
struct Stored {
    width: usize,
    /// Values beside each other that make one pixel.
    channels: usize,
    mosaic: bool,
    /// Under filters in cells of 2 × 2.
    bayer: bool,
    black: f32,
    white: f32,
    /// Of the type that holds a value.
    bits: u32,
}

impl Stored {
    /// Values in a row.
    fn row(&self) -> usize {
        self.width * self.channels
    }
}

/// A stored value.
trait Sample: Copy + PartialEq {
    /// Equal for equal values only.
    fn bits(self) -> u32;
    fn value(self) -> f32;
}

impl Sample for u8 {
    fn bits(self) -> u32 {
        self.into()
    }
    fn value(self) -> f32 {
        self.into()
    }
}

impl Sample for u16 {
    fn bits(self) -> u32 {
        self.into()
    }
    fn value(self) -> f32 {
        self.into()
    }
}

impl Sample for f32 {
    fn bits(self) -> u32 {
        self.to_bits()
    }
    fn value(self) -> f32 {
        self
    }
}
