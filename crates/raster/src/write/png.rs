//! PNG (ISO/IEC 15948), 8 bit for thumbnails, 16 bit for layers.

use std::borrow::Cow;
use std::io::{self, Write};
use std::path::Path;

use png::{BitDepth, ColorType, Compression, Encoder, EncodingError, Filter, Info, PixelDimensions, Unit};

use super::rows::in_bands;
use super::{Rows16, WriteError, to_u8};
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
    let name = Path::new("PNG in memory");
    let shape = PngShape {
        width: picture.width(),
        height: picture.height(),
        channels: 3,
        icc,
        dpi: None,
    };
    let mut bytes = Vec::new();
    encode8(&mut bytes, picture, shape).map_err(WriteError::io(name))?;
    Ok(bytes)
}

fn encode8(out: &mut impl Write, picture: &Rgb, shape: PngShape) -> io::Result<()> {
    let mut encoder = Encoder::with_info(out, info(shape, BitDepth::Eight)?).map_err(as_io)?;
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

/// Streams a 16-bit PNG to `out`.
pub(super) fn encode16(out: &mut impl Write, shape: PngShape, rows: &dyn Rows16) -> io::Result<()> {
    let mut encoder = Encoder::with_info(out, info(shape, BitDepth::Sixteen)?).map_err(as_io)?;
    // The fast coder takes 16-bit noise to about 0.7 of its size at several hundred MB/s; slower
    // levels gain a tenth at a tenth of the speed.
    encoder.set_compression(Compression::Fast);
    encoder.set_filter(Filter::Up);
    let mut writer = encoder.write_header().map_err(as_io)?;
    let mut stream = writer.stream_writer_with_size(1 << 20).map_err(as_io)?;
    let row = shape.width * shape.channels;
    let mut bytes = Vec::new();
    in_bands(row, shape.height, rows, |samples| {
        bytes.clear();
        bytes.extend(samples.iter().flat_map(|s| s.to_be_bytes()));
        stream.write_all(&bytes)
    })?;
    stream.finish().map_err(as_io)?;
    writer.finish().map_err(as_io)
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
