//! TIFF 6.0: 16-bit, grey or RGB or RGB with straight alpha, uncompressed or deflated, one picture or several pages.

use std::borrow::Cow;
use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::Path;

use flate2::Compression;
use flate2::write::ZlibEncoder;
use rayon::prelude::*;
use tiff::TiffError;
use tiff::encoder::{DirectoryEncoder, Rational, TiffEncoder, TiffKindStandard, TiffValue};
use tiff::tags::{
    CompressionMethod, PhotometricInterpretation, Predictor, ResolutionUnit, SampleFormat, Tag, Type,
};

use super::about::About;
use super::exif::{self, EXIF_POINTER, Entry, GPS_POINTER, Inside, Value};
use super::rows::band_rows;
use super::{PlaneRows, Rows16, WriteError, xmp};
use crate::Plane;
use crate::atomic::write_whole;

/// Strips prepared together, so that threads have something to share.
const STRIPS_AT_ONCE: usize = 4;
/// Resolution that is stated, dots per inch: usual for print, no meaning for the sky.
const DPI: u32 = 300;
/// TIFF 6.0, sections 12 and 18: tags and values that the library has no name for.
const PAGE_NAME: u16 = 285;
const PAGE_NUMBER: u16 = 297;
const ONE_PAGE_OF_SEVERAL: u32 = 2;
const UNASSOCIATED: u16 = 2;
/// ISO 16684-3.
const XMP: u16 = 700;

/// Size and channels of a picture given row by row.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TiffShape {
    /// Pixels across.
    pub width: usize,
    /// Pixels down.
    pub height: usize,
    /// 1 for grey, 3 for RGB, 4 for RGB with straight (unassociated) alpha.
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
    if description.contains('\0') || !description.is_ascii() {
        return Err(WriteError::text(
            path,
            description,
            "TIFF 6.0 allows 7-bit ASCII only",
        ));
    }
    let page = TiffPage {
        shape,
        icc,
        name: None,
        rows,
    };
    write_tiff16_pages(path, &[page], &About::described(description), settings)
}

/// One picture of a TIFF.
#[derive(Clone, Copy)]
pub struct TiffPage<'a> {
    /// Size and channels.
    pub shape: TiffShape,
    /// The profile of its samples; an empty one is left out.
    pub icc: &'a [u8],
    /// Its name, where there are several.
    pub name: Option<&'a str>,
    /// Its samples.
    pub rows: &'a dyn Rows16,
}

/// Writes pictures one after the other, each a directory of its own (TIFF 6.0, section 12, “multiple page”). What is said
/// of the whole stands with the first; all of it stands there as TIFF, EXIF and XMP have it.
///
/// # Errors
/// [`WriteError`] when there is no page or a shape is impossible, a row cannot be had, or the file cannot be written.
pub fn write_tiff16_pages(
    path: &Path,
    pages: &[TiffPage<'_>],
    about: &About,
    settings: TiffSettings,
) -> Result<(), WriteError> {
    if pages.is_empty() || pages.len() > usize::from(u16::MAX) {
        return Err(WriteError::shape(
            path,
            "1 to 65535 pages",
            pages.len().to_string(),
        ));
    }
    for TiffPage { shape, .. } in pages {
        if shape.width == 0 || shape.height == 0 || !matches!(shape.channels, 1 | 3 | 4) {
            let expected = "1, 3 or 4 channels and at least one pixel";
            return Err(WriteError::shape(path, expected, format!("{shape:?}")));
        }
    }
    let all = |file: &mut BufWriter<File>| {
        let mut encoder = TiffEncoder::new(file)?;
        for (number, page) in pages.iter().enumerate() {
            let job = Job {
                page: *page,
                about: (number == 0).then_some(about),
                number: [number as u16, pages.len() as u16],
                settings,
            };
            job.encode(&mut encoder)?;
        }
        Ok(())
    };
    write_whole(path, |file| all(file).map_err(as_io)).map_err(WriteError::io(path))
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

/// Bytes of a type whose values are bytes: UNDEFINED, as ICC.1:2010 annex B.4 has a profile in a TIFF; BYTE, as ISO
/// 16684-3 has XMP; ASCII, which the library refuses where it is UTF-8.
struct Raw<'a, const KIND: u16>(&'a [u8]);

impl<const KIND: u16> TiffValue for Raw<'_, KIND> {
    const BYTE_LEN: u8 = 1;
    const FIELD_TYPE: Type = match KIND {
        1 => Type::BYTE,
        2 => Type::ASCII,
        _ => Type::UNDEFINED,
    };
    fn count(&self) -> usize {
        self.0.len()
    }
    fn data(&self) -> Cow<'_, [u8]> {
        Cow::Borrowed(self.0)
    }
}

type Directory<'a, W> = DirectoryEncoder<'a, W, TiffKindStandard>;

/// Puts an entry of EXIF's into a directory.
fn put<W: io::Write + io::Seek>(directory: &mut Directory<'_, W>, entry: &Entry) -> Result<(), TiffError> {
    let tag = Tag::from_u16_exhaustive(entry.tag);
    let bytes = entry.value.bytes(u16::to_ne_bytes, u32::to_ne_bytes);
    match &entry.value {
        Value::Bytes(_) => directory.write_tag(tag, Raw::<1>(&bytes)),
        Value::Text(_) => directory.write_tag(tag, Raw::<2>(&bytes)),
        Value::Undefined(_) => directory.write_tag(tag, Raw::<7>(&bytes)),
        Value::Shorts(v) => directory.write_tag(tag, &v[..]),
        Value::Longs(v) => directory.write_tag(tag, &v[..]),
        Value::Rationals(v) => {
            let all: Vec<Rational> = v.iter().map(|&[n, d]| Rational { n, d }).collect();
            directory.write_tag(tag, &all[..])
        }
    }
}

/// A directory beside the chain of pictures; where it begins, if there is anything in it.
fn beside<W: io::Write + io::Seek>(
    encoder: &mut TiffEncoder<W>,
    entries: &[Entry],
) -> Result<Option<u32>, TiffError> {
    if entries.is_empty() {
        return Ok(None);
    }
    let mut directory = encoder.extra_directory()?;
    entries.iter().try_for_each(|e| put(&mut directory, e))?;
    Ok(Some(directory.finish_with_offsets()?.offset))
}

/// One page to be written. The directory is laid out here because the library's own encoder of
/// images, fed strip by strip, leaves them uncompressed whatever it was told (0.11.3).
struct Job<'a> {
    page: TiffPage<'a>,
    /// With the first page.
    about: Option<&'a About>,
    /// Which page of how many.
    number: [u16; 2],
    settings: TiffSettings,
}

impl Job<'_> {
    fn encode<W: io::Write + io::Seek>(&self, encoder: &mut TiffEncoder<W>) -> Result<(), TiffError> {
        let TiffShape {
            width,
            height,
            channels,
        } = self.page.shape;
        let rows = band_rows(width * channels).min(height);
        let (exif, gps) = match self.about {
            Some(about) => (
                beside(encoder, &exif::exif_entries(about, Inside::Tiff))?,
                beside(encoder, &exif::gps_entries(about))?,
            ),
            None => (None, None),
        };
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
        directory.write_tag(Tag::StripOffsets, &offsets[..])?;
        directory.write_tag(Tag::SamplesPerPixel, channels as u16)?;
        directory.write_tag(Tag::RowsPerStrip, as_u32(rows as u64)?)?;
        directory.write_tag(Tag::StripByteCounts, &lengths[..])?;
        directory.write_tag(Tag::XResolution, Rational { n: DPI, d: 1 })?;
        directory.write_tag(Tag::YResolution, Rational { n: DPI, d: 1 })?;
        directory.write_tag(Tag::ResolutionUnit, ResolutionUnit::Inch)?;
        if self.settings.deflate {
            directory.write_tag(Tag::Predictor, Predictor::Horizontal)?;
        }
        directory.write_tag(Tag::SampleFormat, &vec![SampleFormat::Uint; channels][..])?;
        if channels == 4 {
            directory.write_tag(Tag::ExtraSamples, UNASSOCIATED)?;
        }
        if !self.page.icc.is_empty() {
            directory.write_tag(Tag::IccProfile, Raw::<7>(self.page.icc))?;
        }
        self.place_among_pages(&mut directory)?;
        if let Some(about) = self.about {
            exif::main_entries(about)
                .iter()
                .try_for_each(|e| put(&mut directory, e))?;
            for (tag, offset) in [(EXIF_POINTER, exif), (GPS_POINTER, gps)] {
                if let Some(offset) = offset {
                    directory.write_tag(Tag::from_u16_exhaustive(tag), offset)?;
                }
            }
            if *about != About::default() {
                let packet = xmp::packet(about);
                directory.write_tag(Tag::from_u16_exhaustive(XMP), Raw::<1>(packet.as_bytes()))?;
            }
        }
        directory.finish()
    }

    fn place_among_pages<W: io::Write + io::Seek>(
        &self,
        directory: &mut Directory<'_, W>,
    ) -> Result<(), TiffError> {
        if let Some(name) = self.page.name {
            let name: Vec<u8> = name.bytes().filter(|b| *b != 0).chain([0]).collect();
            directory.write_tag(Tag::from_u16_exhaustive(PAGE_NAME), Raw::<2>(&name))?;
        }
        if self.number[1] > 1 {
            directory.write_tag(Tag::NewSubfileType, ONE_PAGE_OF_SEVERAL)?;
            directory.write_tag(Tag::from_u16_exhaustive(PAGE_NUMBER), &self.number[..])?;
        }
        Ok(())
    }

    fn compression(&self) -> CompressionMethod {
        if self.settings.deflate {
            CompressionMethod::Deflate
        } else {
            CompressionMethod::None
        }
    }
    fn photometric(&self) -> PhotometricInterpretation {
        if self.page.shape.channels >= 3 {
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
        let row = self.page.shape.width * self.page.shape.channels;
        let together = rows * STRIPS_AT_ONCE;
        let mut samples = vec![0_u16; row * together.min(self.page.shape.height)];
        for y0 in (0..self.page.shape.height).step_by(together) {
            let part = &mut samples[..row * together.min(self.page.shape.height - y0)];
            part.par_chunks_exact_mut(row)
                .enumerate()
                .try_for_each(|(y, out)| self.page.rows.row(y0 + y, out))?;
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
        let channels = self.page.shape.channels;
        strip
            .chunks_exact_mut(self.page.shape.width * channels)
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
