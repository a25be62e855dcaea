//! TIFF 6.0: 16-bit and 32-bit float, grey or RGB, uncompressed or deflated.

use std::borrow::Cow;
use std::fs::File;
use std::io::{self, BufWriter};
use std::path::Path;

use rayon::prelude::*;
use tiff::TiffError;
use tiff::encoder::colortype::{ColorType, Gray16, Gray32Float, RGB16, RGB32Float};
use tiff::encoder::{Compression, DeflateLevel, Predictor, TiffEncoder, TiffValue};
use tiff::tags::{Tag, Type};

use super::rows::band_rows;
use super::{PlaneRows, Rows16, WriteError};
use crate::Plane;
use crate::atomic::write_whole;

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
    /// Deflate with the horizontal predictor: smaller, several times slower. Off by default.
    pub deflate: bool,
}

/// Writes 16-bit samples: one plane as grey, three as RGB, values 0..1 in the encoding that the
/// profile states, clamped and rounded (not-a-number becomes 0).
///
/// # Errors
/// [`WriteError`] when the planes are not one or three of one size, or the file cannot be written.
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
/// [`WriteError`] when the shape is impossible, a row cannot be had, or the file cannot be written.
pub fn write_tiff16_rows(
    path: &Path,
    shape: TiffShape,
    icc: &[u8],
    description: &str,
    settings: TiffSettings,
    rows: &dyn Rows16,
) -> Result<(), WriteError> {
    let texts = Texts { icc, description };
    let fill = |y: usize, out: &mut [u16]| rows.row(y, out);
    if shape.channels == 3 {
        write::<RGB16>(path, shape, texts, settings, &fill)
    } else {
        write::<Gray16>(path, shape, texts, settings, &fill)
    }
}

/// Writes 32-bit float samples as they are, negative values and values above 1 included: one plane
/// as grey, three as RGB.
///
/// # Errors
/// [`WriteError`] when the planes are not one or three of one size, or the file cannot be written.
pub fn write_tiff_f32(
    path: &Path,
    planes: &[&Plane],
    icc: &[u8],
    description: &str,
) -> Result<(), WriteError> {
    let shape = shape_of(path, planes)?;
    let texts = Texts { icc, description };
    let fill = |y: usize, out: &mut [f32]| {
        for (channel, plane) in planes.iter().enumerate() {
            for (pixel, &value) in out.chunks_exact_mut(planes.len()).zip(plane.row(y)) {
                pixel[channel] = value;
            }
        }
        Ok(())
    };
    if shape.channels == 3 {
        write::<RGB32Float>(path, shape, texts, TiffSettings::default(), &fill)
    } else {
        write::<Gray32Float>(path, shape, texts, TiffSettings::default(), &fill)
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

#[derive(Clone, Copy)]
struct Texts<'a> {
    icc: &'a [u8],
    description: &'a str,
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

type FillRow<'a, T> = dyn Fn(usize, &mut [T]) -> io::Result<()> + Sync + 'a;

fn write<C>(
    path: &Path,
    shape: TiffShape,
    texts: Texts,
    settings: TiffSettings,
    fill: &FillRow<C::Inner>,
) -> Result<(), WriteError>
where
    C: ColorType,
    C::Inner: Copy + Default + Send,
    [C::Inner]: TiffValue,
{
    if shape.width == 0 || shape.height == 0 || shape.channels != C::SAMPLE_FORMAT.len() {
        return Err(WriteError::shape(
            path,
            "1 or 3 channels and at least one pixel",
            format!("{shape:?}"),
        ));
    }
    if texts.description.contains('\0') || !texts.description.is_ascii() {
        return Err(WriteError::text(
            path,
            texts.description,
            "TIFF 6.0 allows 7-bit ASCII only",
        ));
    }
    write_whole(path, |file| {
        strips::<C>(file, shape, texts, settings, fill).map_err(as_io)
    })
    .map_err(WriteError::io(path))
}

fn strips<C>(
    file: &mut BufWriter<File>,
    shape: TiffShape,
    texts: Texts,
    settings: TiffSettings,
    fill: &FillRow<C::Inner>,
) -> Result<(), TiffError>
where
    C: ColorType,
    C::Inner: Copy + Default + Send,
    [C::Inner]: TiffValue,
{
    let mut encoder = TiffEncoder::new(file)?;
    if settings.deflate {
        encoder = encoder
            .with_compression(Compression::Deflate(DeflateLevel::Fast))
            .with_predictor(Predictor::Horizontal);
    }
    let (width, height) = (as_u32(shape.width)?, as_u32(shape.height)?);
    let mut image = encoder.new_image::<C>(width, height)?;
    let row = shape.width * shape.channels;
    image.rows_per_strip(as_u32(band_rows(row).min(shape.height))?)?;
    image.encoder().write_tag(Tag::Software, "Nightloom")?;
    if !texts.description.is_empty() {
        image
            .encoder()
            .write_tag(Tag::ImageDescription, texts.description)?;
    }
    if !texts.icc.is_empty() {
        image.encoder().write_tag(Tag::IccProfile, Undefined(texts.icc))?;
    }
    let mut strip = Vec::new();
    let mut y = 0;
    while image.next_strip_sample_count() > 0 {
        strip.resize(image.next_strip_sample_count() as usize, C::Inner::default());
        strip
            .par_chunks_exact_mut(row)
            .enumerate()
            .try_for_each(|(i, out)| fill(y + i, out))?;
        y += strip.len() / row;
        image.write_strip(&strip)?;
    }
    image.finish()
}

fn as_u32(n: usize) -> io::Result<u32> {
    u32::try_from(n).map_err(|_| {
        io::Error::new(
            io::ErrorKind::InvalidInput,
            format!("{n} is more than TIFF can hold"),
        )
    })
}

fn as_io(error: TiffError) -> io::Error {
    match error {
        TiffError::IoError(e) => e,
        other => io::Error::other(other),
    }
}
