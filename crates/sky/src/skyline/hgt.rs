//! SRTM's `.hgt`: big-endian 16-bit heights, rows from the north, the corner in the file's name.
//!
//! Layout after the SRTM user guide (NASA/USGS, "SRTM_Topo.pdf"): the name is the latitude and
//! longitude of the south-western post, −32768 is a void, neighbours share their edge posts.

use super::error::TileError;
use super::tile::{Frame, Layout, Tile};

/// Posts along a side at one and three arc-seconds.
const SIDES: [usize; 2] = [3601, 1201];

impl Tile {
    /// Reads an `.hgt` file of one or three arc-seconds. `name` is the file's name, which alone
    /// tells where it lies (`N46E008.hgt`); folders before it are allowed.
    ///
    /// # Errors
    /// A name without a place, or bytes that are not a whole tile.
    pub fn from_hgt(name: &str, bytes: &[u8]) -> Result<Self, TileError> {
        let (lat, lon) = hgt_corner(name).ok_or_else(|| TileError::Name { name: name.into() })?;
        let side = side(name, bytes)?;
        let posts = bytes.as_chunks::<2>().0.iter();
        let posts = posts.map(|b| f32::from(i16::from_be_bytes(*b))).collect();
        let step = 1.0 / (side - 1) as f64;
        let layout = Layout {
            frame: Frame::Geographic,
            origin: (f64::from(lon), f64::from(lat) + 1.0),
            per_column: (step, 0.0),
            per_row: (0.0, -step),
        };
        Ok(Self::new(name, side, side, posts, layout))
    }
}

fn side(name: &str, bytes: &[u8]) -> Result<usize, TileError> {
    if bytes.starts_with(b"PK\x03\x04") {
        return Err(TileError::Zipped { name: name.into() });
    }
    let side = SIDES.into_iter().find(|s| s * s * 2 == bytes.len());
    side.ok_or_else(|| TileError::HgtSize {
        name: name.into(),
        found: bytes.len(),
    })
}

/// The south-western corner in whole degrees that an `.hgt` file's name tells: latitude, longitude.
/// `None` where it tells none. The tile spans one degree each way.
pub fn hgt_corner(name: &str) -> Option<(i32, i32)> {
    let file = name.rsplit(['/', '\\']).next()?;
    let bytes = file.as_bytes();
    let lat = signed(bytes.get(..3)?, b'N', b'S')?;
    let lon = signed(bytes.get(3..7)?, b'E', b'W')?;
    let ends = bytes.get(7).is_none_or(|b| !b.is_ascii_alphanumeric());
    (ends && (-90..90).contains(&lat) && (-180..180).contains(&lon)).then_some((lat, lon))
}

fn signed(text: &[u8], plus: u8, minus: u8) -> Option<i32> {
    let (letter, digits) = text.split_first()?;
    let digits = std::str::from_utf8(digits).ok()?;
    let number: i32 = digits
        .bytes()
        .all(|b| b.is_ascii_digit())
        .then_some(digits)?
        .parse()
        .ok()?;
    match letter.to_ascii_uppercase() {
        l if l == plus => Some(number),
        l if l == minus => Some(-number),
        _ => None,
    }
}
