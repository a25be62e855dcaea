//! Baseline JPEG (ITU-T T.81) with an ICC profile, EXIF and XMP.

use std::io::{self, Write};
use std::path::Path;

use jpeg_encoder::{Encoder, EncodingError, ImageBuffer, JpegColorType, SamplingFactor, rgb_to_ycbcr};

use super::about::About;
use super::exif::{self, Inside};
use super::{WriteError, to_u8, xmp};
use crate::Rgb;

/// The same as bytes, for pictures inside a report.
///
/// # Errors
/// [`WriteError::Shape`] when a side is 0 or above 65535 px.
pub fn jpeg_bytes(picture: &Rgb, quality: u8, icc: &[u8]) -> Result<Vec<u8>, WriteError> {
    made(picture, quality, icc, None)
}

/// The same with what the picture says of itself, as EXIF and XMP.
///
/// # Errors
/// [`WriteError::Shape`] when a side is 0 or above 65535 px; [`WriteError::Io`] when a text is longer than a segment.
pub fn jpeg_bytes_about(
    picture: &Rgb,
    quality: u8,
    icc: &[u8],
    about: &About,
) -> Result<Vec<u8>, WriteError> {
    made(picture, quality, icc, Some(about))
}

fn made(picture: &Rgb, quality: u8, icc: &[u8], about: Option<&About>) -> Result<Vec<u8>, WriteError> {
    let name = Path::new("JPEG in memory");
    let size = jpeg_size(picture).ok_or_else(|| {
        WriteError::shape(
            name,
            "sides of 1 to 65535 px",
            format!("{} × {}", picture.width(), picture.height()),
        )
    })?;
    let mut bytes = Vec::new();
    encode(&mut bytes, picture, size, quality, (icc, about)).map_err(WriteError::io(name))?;
    Ok(bytes)
}

fn jpeg_size(picture: &Rgb) -> Option<(u16, u16)> {
    let side = |n: usize| u16::try_from(n).ok().filter(|&n| n > 0);
    Some((side(picture.width())?, side(picture.height())?))
}

fn encode(
    out: impl Write,
    picture: &Rgb,
    size: (u16, u16),
    quality: u8,
    (icc, about): (&[u8], Option<&About>),
) -> io::Result<()> {
    let mut encoder = Encoder::new(out, quality.clamp(1, 100));
    encoder.set_sampling_factor(SamplingFactor::F_1_1);
    if let Some(about) = about {
        // EXIF first, as its standard has it.
        let inside = Inside::Jpeg([u32::from(size.0), u32::from(size.1)]);
        encoder
            .add_exif_metadata(&exif::block(about, inside))
            .map_err(as_io)?;
        let packet = [xmp::JPEG_HEAD, xmp::packet(about).as_bytes()].concat();
        encoder.add_app_segment(1, packet).map_err(as_io)?;
    }
    if !icc.is_empty() {
        encoder.add_icc_profile(icc).map_err(as_io)?;
    }
    encoder.encode_image(Rows { picture, size }).map_err(as_io)
}

fn as_io(error: EncodingError) -> io::Error {
    match error {
        EncodingError::IoError(e) => e,
        other => io::Error::other(other.to_string()),
    }
}

/// Feeds the encoder a row at a time.
struct Rows<'a> {
    picture: &'a Rgb,
    size: (u16, u16),
}

impl ImageBuffer for Rows<'_> {
    fn get_jpeg_color_type(&self) -> JpegColorType {
        JpegColorType::Ycbcr
    }
    fn width(&self) -> u16 {
        self.size.0
    }
    fn height(&self) -> u16 {
        self.size.1
    }
    fn fill_buffers(&self, y: u16, buffers: &mut [Vec<u8>; 4]) {
        let [r, g, b] = self.picture.planes().each_ref().map(|p| p.row(usize::from(y)));
        for ((&r, &g), &b) in r.iter().zip(g).zip(b) {
            let (y, cb, cr) = rgb_to_ycbcr(to_u8(r), to_u8(g), to_u8(b));
            buffers[0].push(y);
            buffers[1].push(cb);
            buffers[2].push(cr);
        }
    }
}
