//! GeoTIFF of one band of heights, in degrees or in UTM.
//!
//! OGC 19-008r4, “OGC GeoTIFF Standard” 1.1; what lacks or contradicts is refused, never guessed.

use std::io::Cursor;

use tiff::decoder::{Decoder, DecodingResult, Limits};
use tiff::tags::Tag;

use super::error::TileError;
use super::geokeys::{Keys, Ways};
use super::tile::{Layout, Tile};

/// The most posts in one file: 480 MB of heights, 20 × 20 degrees at six arc-seconds.
const MOST_POSTS: usize = 120_000_000;
/// The most bytes that one strip or tile of the file may unpack to.
const MOST_CHUNK_BYTES: usize = MOST_POSTS * 8;
/// The most bytes of one tag: the offsets of as many strips as a file may have rows.
const MOST_TAG_BYTES: usize = 1 << 24;

type Reader<'a> = Decoder<Cursor<&'a [u8]>>;

impl Tile {
    /// Reads a GeoTIFF with one band of heights in metres or feet: 8 to 64-bit whole numbers or
    /// floats, in strips or tiles, plain, deflate or LZW; in longitude and latitude or in UTM, on WGS 84
    /// or a datum within a metre or two of it. Posts stand in the middle of pixels, or at points, as the
    /// file says. `name` is for messages.
    ///
    /// # Errors
    /// A damaged file, another layout, another map projection, too many posts.
    pub fn from_geotiff(name: &str, bytes: &[u8]) -> Result<Self, TileError> {
        if bytes.starts_with(b"PK\x03\x04") {
            return Err(TileError::Zipped { name: name.into() });
        }
        let damaged = |e: tiff::TiffError| TileError::Tiff {
            name: name.into(),
            reason: e.to_string(),
        };
        let mut limits = Limits::default();
        limits.decoding_buffer_size = MOST_CHUNK_BYTES;
        limits.intermediate_buffer_size = MOST_CHUNK_BYTES;
        limits.ifd_value_size = MOST_TAG_BYTES;
        let mut decoder = Decoder::new(Cursor::new(bytes))
            .map_err(damaged)?
            .with_limits(limits);
        let (width, height) = decoder.dimensions().map_err(damaged)?;
        let (columns, rows) = size(name, width, height)?;
        one_band(name, &mut decoder)?;
        let keys = Keys::read(&mut decoder);
        let placing = |ways: Ways| TileError::Placing {
            name: name.into(),
            what: ways.what,
            expected: ways.expected,
        };
        let layout = layout(&mut decoder, &keys).map_err(placing)?;
        let to_metres = keys.metres_per_height().map_err(placing)?;
        let nothing = no_data(&mut decoder);
        let mut posts = heights(name, &mut decoder, columns, rows)?;
        for post in &mut posts {
            let void = nothing.is_some_and(|n| *post == n);
            *post = if void { f32::NAN } else { *post * to_metres };
        }
        Ok(Self::new(name, columns, rows, posts, layout))
    }
}

fn size(name: &str, width: u32, height: u32) -> Result<(usize, usize), TileError> {
    let posts = u64::from(width) * u64::from(height);
    if width < 2 || height < 2 || posts > MOST_POSTS as u64 {
        return Err(TileError::Size {
            name: name.into(),
            width,
            height,
            most: MOST_POSTS,
        });
    }
    Ok((width as usize, height as usize))
}

fn one_band(name: &str, decoder: &mut Reader<'_>) -> Result<(), TileError> {
    let bands = decoder.find_tag_unsigned::<u16>(Tag::SamplesPerPixel);
    let bands = bands.ok().flatten().unwrap_or(1);
    if bands == 1 {
        return Ok(());
    }
    Err(TileError::Placing {
        name: name.into(),
        what: format!("it has {bands} bands, as a picture has"),
        expected: "one band of heights",
    })
}

/// The number that stands for a void, from GDAL's tag; in the file's own unit.
fn no_data(decoder: &mut Reader<'_>) -> Option<f32> {
    let text = decoder.get_tag_ascii_string(Tag::GdalNodata).ok()?;
    let number: f64 = text.trim().trim_end_matches('\0').parse().ok()?;
    Some(number as f32)
}

/// Where posts stand, from the tie point and scale or from the matrix.
fn layout(decoder: &mut Reader<'_>, keys: &Keys) -> Result<Layout, Ways> {
    let frame = keys.frame()?;
    let numbers = |decoder: &mut Reader<'_>, tag| decoder.get_tag_f64_vec(tag).unwrap_or_default();
    let matrix = numbers(decoder, Tag::ModelTransformationTag);
    let (scale, tie) = (
        numbers(decoder, Tag::ModelPixelScaleTag),
        numbers(decoder, Tag::ModelTiepointTag),
    );
    let (origin, per_column, per_row) = if let [a, b, _, d, e, f, _, h, ..] = matrix[..] {
        ((d, h), (a, e), (b, f))
    } else if let ([sx, sy, ..], [i, j, _, x, y, _]) = (&scale[..], &tie[..]) {
        ((x - i * sx, y + j * sy), (*sx, 0.0), (0.0, -sy))
    } else {
        return Err(Ways {
            what: "it does not say where its corner lies".into(),
            expected: "one tie point with a pixel scale, or a transformation",
        });
    };
    // Raster space counts from a pixel's corner where pixels are areas.
    let half = if keys.pixel_is_point() { 0.0 } else { 0.5 };
    let origin = (
        origin.0 + half * (per_column.0 + per_row.0),
        origin.1 + half * (per_column.1 + per_row.1),
    );
    let layout = Layout {
        frame,
        origin,
        per_column,
        per_row,
    };
    if layout.is_possible() {
        return Ok(layout);
    }
    Err(Ways {
        what: "its corner or pixel scale is no possible number".into(),
        expected: "a scale other than 0",
    })
}

/// All posts in rows, NaN where the file holds no number.
fn heights(name: &str, decoder: &mut Reader<'_>, columns: usize, rows: usize) -> Result<Vec<f32>, TileError> {
    let damaged = |reason: String| TileError::Tiff {
        name: name.into(),
        reason,
    };
    let (across, down) = decoder.chunk_dimensions();
    let (across, down) = (across as usize, down as usize);
    if across == 0 || down == 0 {
        return Err(damaged("its strips are empty".into()));
    }
    let per_row = columns.div_ceil(across);
    let mut posts = vec![f32::NAN; columns * rows];
    for chunk in 0..per_row * rows.div_ceil(down) {
        let at = (chunk % per_row * across, chunk / per_row * down);
        let number = u32::try_from(chunk).map_err(|e| damaged(e.to_string()))?;
        let width = decoder.chunk_data_dimensions(number).0 as usize;
        let part = decoder.read_chunk(number).map_err(|e| damaged(e.to_string()))?;
        let part = numbers(part);
        let lines = part.chunks_exact(width.max(1)).take(rows.saturating_sub(at.1));
        for (line, source) in lines.enumerate() {
            let start = (at.1 + line) * columns + at.0;
            let fits = width.min(columns.saturating_sub(at.0));
            posts[start..start + fits].copy_from_slice(&source[..fits]);
        }
    }
    Ok(posts)
}

/// 32 bits hold every height to better than a millimetre.
fn numbers(part: DecodingResult) -> Vec<f32> {
    match part {
        DecodingResult::U8(v) => v.into_iter().map(f32::from).collect(),
        DecodingResult::I8(v) => v.into_iter().map(f32::from).collect(),
        DecodingResult::U16(v) => v.into_iter().map(f32::from).collect(),
        DecodingResult::I16(v) => v.into_iter().map(f32::from).collect(),
        DecodingResult::U32(v) => v.into_iter().map(|n| n as f32).collect(),
        DecodingResult::I32(v) => v.into_iter().map(|n| n as f32).collect(),
        DecodingResult::U64(v) => v.into_iter().map(|n| n as f32).collect(),
        DecodingResult::I64(v) => v.into_iter().map(|n| n as f32).collect(),
        DecodingResult::F16(v) => v.into_iter().map(f32::from).collect(),
        DecodingResult::F32(v) => v,
        DecodingResult::F64(v) => v.into_iter().map(|n| n as f32).collect(),
    }
}
