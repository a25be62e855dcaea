//! TIFF 6.0: 16-bit, grey or RGB, uncompressed or deflated.

use std::borrow::Cow;
use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::Path;

use flate2::Compression;
use flate2::write::ZlibEncoder;
use rayon::prelude::*;
use tiff::TiffError;
use tiff::encoder::{Rational, TiffEncoder, TiffValue};
use tiff::tags::{
    CompressionMethod, PhotometricInterpretation, Predictor, ResolutionUnit, SampleFormat, Tag, Type,
};

use super::rows::band_rows;
use super::{PlaneRows, Rows16, WriteError};
use crate::Plane;
use crate::atomic::write_whole;

/// Strips prepared together, so that threads have something to share.
const STRIPS_AT_ONCE: usize = 4;
/// Resolution that is stated, dots per inch: usual for print, no meaning for the sky.
const DPI: u32 = 300;

/// Size and channels of a picture given row by row.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TiffShape {
    /// Pixels across.
    pub width: usize,
    /// Pixels down.
    pub height: usize,
    /// 1 for grey, 3 for RGB.
    pub channels: usize,
}

/// How a TIFF is stored.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct TiffSettings {
    /// Deflate with the horizontal predictor: smaller and slower. Off by default.
    pub deflate: bool,
}

/// Writes 16-bit samples: one plane as grey, three as RGB, values 0..1 in the encoding that the
/// profile states, clamped and rounded (not-a-number becomes 0).
///
/// # Errors
/// [`WriteError`] when the planes are not one or three of one size, the description is not ASCII, or
/// the file cannot be written.
pub fn write_tiff16(path: &Path, planes: &[&Plane], icc: &[u8], description: &str) -> Result<(), WriteError> {
    let shape = shape_of(path, planes)?;
    write_tiff16_rows(
        path,
        shape,
        icc,
        description,
        TiffSettings::default(),
        &PlaneRows(planes),
    )
}

/// Writes 16-bit samples given row by row, so that no copy of the picture need exist.
///
/// # Errors
/// [`WriteError`] when the shape is impossible, the description is not ASCII, a row cannot be had,
/// or the file cannot be written.
pub fn write_tiff16_rows(
    path: &Path,
    shape: TiffShape,
    icc: &[u8],
    description: &str,
    settings: TiffSettings,
    rows: &dyn Rows16,
) -> Result<(), WriteError> {
    Job {
        shape,
        icc,
        description,
        settings,
        rows,
    }
    .write(path)
}

fn shape_of(path: &Path, planes: &[&Plane]) -> Result<TiffShape, WriteError> {
    let sizes: Vec<_> = planes.iter().map(|p| (p.width(), p.height())).collect();
    match sizes.as_slice() {
        [a] => Ok(TiffShape {
            width: a.0,
            height: a.1,
            channels: 1,
        }),
        [a, b, c] if a == b && b == c => Ok(TiffShape {
            width: a.0,
            height: a.1,
            channels: 3,
        }),
        _ => Err(WriteError::shape(
            path,
            "one plane or three of one size",
            format!("{sizes:?}"),
        )),
    }
}

/// Makes each sample of a row the difference from the pixel before (TIFF 6.0, section 14).
fn predict(row: &mut [u16], channels: usize) {
    for i in (channels..row.len()).rev() {
        row[i] = row[i].wrapping_sub(row[i - channels]);
    }
}

/// Bytes of type UNDEFINED, as ICC.1:2010 annex B.4 has a profile in a TIFF.
struct Undefined<'a>(&'a [u8]);

impl TiffValue for Undefined<'_> {
    const BYTE_LEN: u8 = 1;
    const FIELD_TYPE: Type = Type::UNDEFINED;
    fn count(&self) -> usize {
        self.0.len()
    }
    fn data(&self) -> Cow<'_, [u8]> {
        Cow::Borrowed(self.0)
    }
}

/// One file to be written. The directory is laid out here because the library's own encoder of
/// images, fed strip by strip, leaves them uncompressed whatever it was told (0.11.3).
struct Job<'a> {
    shape: TiffShape,
    icc: &'a [u8],
    description: &'a str,
    settings: TiffSettings,
    rows: &'a dyn Rows16,
}

impl Job<'_> {
    fn write(&self, path: &Path) -> Result<(), WriteError> {
        let TiffShape {
            width,
            height,
            channels,
        } = self.shape;
        let (expected, found) = (
            "1 or 3 channels and at least one pixel",
            format!("{:?}", self.shape),
        );
        if width == 0 || height == 0 || !matches!(channels, 1 | 3) {
            return Err(WriteError::shape(path, expected, found));
        }
        if self.description.contains('\0') || !self.description.is_ascii() {
            return Err(WriteError::text(
                path,
                self.description,
                "TIFF 6.0 allows 7-bit ASCII only",
            ));
        }
        write_whole(path, |file| self.encode(file).map_err(as_io)).map_err(WriteError::io(path))
    }

    fn encode(&self, file: &mut BufWriter<File>) -> Result<(), TiffError> {
        let TiffShape {
            width,
            height,
            channels,
        } = self.shape;
        let rows = band_rows(width * channels).min(height);
        let mut encoder = TiffEncoder::new(file)?;
        let mut directory = encoder.image_directory()?;
        let (mut offsets, mut lengths) = (Vec::new(), Vec::new());
        self.each_strip(rows, |bytes| {
            offsets.push(as_u32(directory.write_data(bytes)?)?);
            lengths.push(as_u32(bytes.len() as u64)?);
            Ok(())
        })?;
        directory.write_tag(Tag::ImageWidth, as_u32(width as u64)?)?;
        directory.write_tag(Tag::ImageLength, as_u32(height as u64)?)?;
        directory.write_tag(Tag::BitsPerSample, &vec![16_u16; channels][..])?;
        let (compression, photometric) = (self.compression(), self.photometric());
        directory.write_tag(Tag::Compression, compression.to_u16())?;
        directory.write_tag(Tag::PhotometricInterpretation, photometric)?;
        if !self.description.is_empty() {
            directory.write_tag(Tag::ImageDescription, self.description)?;
        }
        directory.write_tag(Tag::StripOffsets, &offsets[..])?;
        directory.write_tag(Tag::SamplesPerPixel, channels as u16)?;
        directory.write_tag(Tag::RowsPerStrip, as_u32(rows as u64)?)?;
        directory.write_tag(Tag::StripByteCounts, &lengths[..])?;
        directory.write_tag(Tag::XResolution, Rational { n: DPI, d: 1 })?;
        directory.write_tag(Tag::YResolution, Rational { n: DPI, d: 1 })?;
        directory.write_tag(Tag::ResolutionUnit, ResolutionUnit::Inch)?;
        directory.write_tag(Tag::Software, "Nightloom")?;
        if self.settings.deflate {
            directory.write_tag(Tag::Predictor, Predictor::Horizontal)?;
        }
        directory.write_tag(Tag::SampleFormat, &vec![SampleFormat::Uint; channels][..])?;
        if !self.icc.is_empty() {
            directory.write_tag(Tag::IccProfile, Undefined(self.icc))?;
        }
        directory.finish()
    }

    fn compression(&self) -> CompressionMethod {
        if self.settings.deflate {
            CompressionMethod::Deflate
        } else {
            CompressionMethod::None
        }
    }
    fn photometric(&self) -> PhotometricInterpretation {
        if self.shape.channels == 3 {
            PhotometricInterpretation::RGB
        } else {
            PhotometricInterpretation::BlackIsZero
        }
    }

    /// Makes the strips, several at a time in parallel, and hands them on in order.
    fn each_strip(
        &self,
        rows: usize,
        mut write: impl FnMut(&[u8]) -> Result<(), TiffError>,
    ) -> Result<(), TiffError> {
        let row = self.shape.width * self.shape.channels;
        let together = rows * STRIPS_AT_ONCE;
        let mut samples = vec![0_u16; row * together.min(self.shape.height)];
        for y0 in (0..self.shape.height).step_by(together) {
            let part = &mut samples[..row * together.min(self.shape.height - y0)];
            part.par_chunks_exact_mut(row)
                .enumerate()
                .try_for_each(|(y, out)| self.rows.row(y0 + y, out))?;
            if self.settings.deflate {
                let strips: Result<Vec<_>, _> =
                    part.par_chunks_mut(row * rows).map(|s| self.deflate(s)).collect();
                strips?.iter().try_for_each(|s| write(s))?;
            } else {
                part.chunks(row * rows)
                    .try_for_each(|s| write(bytemuck::cast_slice(s)))?;
            }
        }
        Ok(())
    }

    fn deflate(&self, strip: &mut [u16]) -> io::Result<Vec<u8>> {
        let channels = self.shape.channels;
        strip
            .chunks_exact_mut(self.shape.width * channels)
            .for_each(|row| predict(row, channels));
        let mut encoder = ZlibEncoder::new(Vec::new(), Compression::fast());
        encoder.write_all(bytemuck::cast_slice(strip))?;
        encoder.finish()
    }
}

fn as_u32(n: u64) -> io::Result<u32> {
    let too_large = || io::Error::new(io::ErrorKind::FileTooLarge, "a TIFF is at most 4 GiB");
    u32::try_from(n).map_err(|_| too_large())
}

fn as_io(error: TiffError) -> io::Error {
    match error {
        TiffError::IoError(e) => e,
        other => io::Error::other(other),
    }
}
