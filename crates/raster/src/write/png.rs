//! PNG (ISO/IEC 15948), 8 bit for thumbnails, 16 bit for layers.

use std::borrow::Cow;
use std::io::{self, Write};
use std::path::Path;

use png::text_metadata::ITXtChunk;
use png::{BitDepth, ColorType, Compression, Encoder, EncodingError, Info, PixelDimensions, Unit};
use rayon::prelude::*;

use super::about::About;
use super::exif::{self, Inside};
use super::rows::band_rows;
use super::strips::{self, Strip};
use super::{Rows16, WriteError, to_u8, xmp};
use crate::Rgb;

/// What a 16-bit PNG is to hold.
#[derive(Clone, Copy, Debug)]
pub(super) struct PngShape<'a> {
    pub(super) width: usize,
    pub(super) height: usize,
    /// 1 grey, 3 RGB, 4 RGB with straight alpha.
    pub(super) channels: usize,
    pub(super) icc: &'a [u8],
    pub(super) dpi: Option<f64>,
}

/// An 8-bit RGB PNG as bytes, for pictures inside a report. `picture` holds 0..1 in the encoding
/// that the profile states; an empty profile leaves it out.
///
/// # Errors
/// [`WriteError::Shape`] when the picture is empty or too large for PNG.
pub fn png_bytes(picture: &Rgb, icc: &[u8]) -> Result<Vec<u8>, WriteError> {
    made(picture, icc, None)
}

/// The same with what the picture says of itself, as EXIF (chunk eXIf) and XMP.
///
/// # Errors
/// [`WriteError::Shape`] when the picture is empty or too large for PNG.
pub fn png_bytes_about(picture: &Rgb, icc: &[u8], about: &About) -> Result<Vec<u8>, WriteError> {
    made(picture, icc, Some(about))
}

fn made(picture: &Rgb, icc: &[u8], about: Option<&About>) -> Result<Vec<u8>, WriteError> {
    let name = Path::new("PNG in memory");
    let shape = PngShape {
        width: picture.width(),
        height: picture.height(),
        channels: 3,
        icc,
        dpi: None,
    };
    let mut bytes = Vec::new();
    encode8(&mut bytes, picture, shape, about).map_err(WriteError::io(name))?;
    Ok(bytes)
}

fn encode8(out: &mut impl Write, picture: &Rgb, shape: PngShape, about: Option<&About>) -> io::Result<()> {
    let mut info = info(shape, BitDepth::Eight)?;
    if let Some(about) = about {
        let inside = Inside::Png([info.width, info.height]);
        info.exif_metadata = Some(Cow::Owned(exif::block(about, inside)));
        let packet = ITXtChunk::new(xmp::PNG_KEYWORD, xmp::packet(about));
        info.utf8_text.push(packet);
    }
    let mut encoder = Encoder::with_info(out, info).map_err(as_io)?;
    encoder.set_compression(Compression::Balanced);
    let mut writer = encoder.write_header().map_err(as_io)?;
    let mut stream = writer.stream_writer().map_err(as_io)?;
    let mut bytes = vec![0_u8; shape.width * 3];
    for y in 0..shape.height {
        for (channel, plane) in picture.planes().iter().enumerate() {
            for (pixel, &v) in bytes.chunks_exact_mut(3).zip(plane.row(y)) {
                pixel[channel] = to_u8(v);
            }
        }
        stream.write_all(&bytes)?;
    }
    stream.finish().map_err(as_io)?;
    writer.finish().map_err(as_io)
}

/// Strips that are made beside each other before they are written: what bounds the memory.
const STRIPS_AT_ONCE: usize = 32;

/// Streams a 16-bit PNG to `out`.
pub(super) fn encode16(out: &mut impl Write, shape: PngShape, rows: &dyn Rows16) -> io::Result<()> {
    let encoder = Encoder::with_info(out, info(shape, BitDepth::Sixteen)?).map_err(as_io)?;
    let mut writer = encoder.write_header().map_err(as_io)?;
    let per_strip = band_rows(shape.width * shape.channels);
    let strips = shape.height.div_ceil(per_strip);
    let together = STRIPS_AT_ONCE.min(2 * rayon::current_num_threads());
    let mut checksum = 1;
    for from in (0..strips).step_by(together) {
        let made: Vec<Strip> = (from..strips.min(from + together))
            .into_par_iter()
            .map(|k| {
                let own = k * per_strip..shape.height.min((k + 1) * per_strip);
                Strip::of(&filtered(shape, own, rows)?, k + 1 == strips)
            })
            .collect::<io::Result<_>>()?;
        for (k, strip) in (from..).zip(&made) {
            checksum = strip.checksum(checksum);
            let head = if k == 0 { &strips::HEADER[..] } else { &[] };
            let tail = checksum.to_be_bytes();
            let tail = if k + 1 == strips { &tail[..] } else { &[] };
            let chunk = [head, &strip.bytes, tail].concat();
            writer.write_chunk(png::chunk::IDAT, &chunk).map_err(as_io)?;
        }
    }
    writer.finish().map_err(as_io)
}

/// Rows as PNG stores them, each behind the number of its filter: the difference from the pixel before in a strip's first
/// row, so that no strip needs another one, and from the pixel above in the others (ISO/IEC 15948, 9.2).
fn filtered(shape: PngShape<'_>, own: std::ops::Range<usize>, rows: &dyn Rows16) -> io::Result<Vec<u8>> {
    const SUB: u8 = 1;
    const UP: u8 = 2;
    let row = shape.width * shape.channels;
    let pixel = 2 * shape.channels;
    let mut out = Vec::with_capacity(own.len() * (1 + 2 * row));
    let mut samples = vec![0_u16; row];
    let [mut bytes, mut above] = [(); 2].map(|()| vec![0_u8; 2 * row]);
    for (n, y) in own.enumerate() {
        rows.row(y, &mut samples)?;
        for (pair, sample) in bytes.as_chunks_mut::<2>().0.iter_mut().zip(&samples) {
            *pair = sample.to_be_bytes();
        }
        if n == 0 {
            out.push(SUB);
            out.extend_from_slice(&bytes[..pixel]);
            out.extend(
                bytes[pixel..]
                    .iter()
                    .zip(&bytes)
                    .map(|(v, before)| v.wrapping_sub(*before)),
            );
        } else {
            out.push(UP);
            out.extend(bytes.iter().zip(&above).map(|(v, above)| v.wrapping_sub(*above)));
        }
        std::mem::swap(&mut bytes, &mut above);
    }
    Ok(out)
}

fn info(shape: PngShape<'_>, bits: BitDepth) -> io::Result<Info<'_>> {
    let side = |n: usize| u32::try_from(n).ok().filter(|&n| n > 0 && n <= i32::MAX as u32);
    let (Some(width), Some(height)) = (side(shape.width), side(shape.height)) else {
        return Err(io::Error::new(
            io::ErrorKind::InvalidInput,
            "a side of a PNG is 1 to 2147483647 px",
        ));
    };
    let mut info = Info::with_size(width, height);
    info.bit_depth = bits;
    info.color_type = match shape.channels {
        1 => ColorType::Grayscale,
        3 => ColorType::Rgb,
        4 => ColorType::Rgba,
        _ => {
            return Err(io::Error::new(
                io::ErrorKind::InvalidInput,
                "a PNG here has 1, 3 or 4 channels",
            ));
        }
    };
    if !shape.icc.is_empty() {
        info.icc_profile = Some(Cow::Borrowed(shape.icc));
    }
    info.pixel_dims = shape.dpi.map(|dpi| {
        let per_metre = (dpi / 0.0254).round() as u32;
        PixelDimensions {
            xppu: per_metre,
            yppu: per_metre,
            unit: Unit::Meter,
        }
    });
    Ok(info)
}

fn as_io(error: EncodingError) -> io::Error {
    match error {
        EncodingError::IoError(e) => e,
        other => io::Error::other(other),
    }
}
