//! Writes a frame under filters, without them, or of finished colour as a DNG 1.4 file (Adobe, *Digital Negative Specification*, version
//! 1.4.0.0, June 2012; TIFF 6.0; EXIF 2.31): one uncompressed strip in the first directory, an
//! EXIF directory, and a GPS directory where a position is known.

use nightloom_raster::atomic::write_whole;
use nightloom_raster::{Cfa, FrameMeta};
use std::fs::File;
use std::io::{BufWriter, Seek, Write};
use std::path::Path;
use tiff::encoder::{DirectoryEncoder, Rational, SRational, TiffEncoder, TiffKindStandard};
use tiff::tags::{Tag, Type};

/// A frame to be written.
#[derive(Clone, Copy, Debug)]
pub struct DngFrame<'a> {
    /// Pixels across.
    pub width: usize,
    /// Pixels down.
    pub height: usize,
    /// `width * height` raw values, row after row from the top; three times as many, red, green and blue beside each other,
    /// for a linear frame, which has no filters.
    pub samples: &'a [u16],
    /// The filters, from the first pixel on; not asked of a linear frame.
    pub cfa: Cfa,
    /// Raw value of no light, in the order of [`Cfa`]: (0,0), (1,0), (0,1), (1,1); by colour in a cell of 6 × 6 and in a
    /// linear frame, the first without filters.
    pub black: [u16; 4],
    /// Raw value of saturation.
    pub white: u16,
    /// What a neutral thing gives in camera R, G, B (the inverse of the white balance), green 1.
    pub as_shot_neutral: [f64; 3],
    /// From CIE XYZ to camera R, G, B under D65, row by row.
    pub xyz_to_camera: [[f64; 3]; 3],
    /// What is known of the exposure. `orientation` is written as it stands.
    pub meta: &'a FrameMeta,
}

impl DngFrame<'_> {
    fn is_linear(&self) -> bool {
        self.samples.len() == 3 * self.width * self.height
    }

    /// Levels of the cell, and the cell's side.
    fn blacks(&self) -> (Vec<u16>, usize) {
        let side = self.cfa.side();
        match side {
            _ if self.is_linear() => (self.black[..3].to_vec(), 1),
            6 => (
                self.cfa
                    .cell()
                    .iter()
                    .map(|c| self.black[usize::from(*c)])
                    .collect(),
                side,
            ),
            _ => (self.black[..side * side].to_vec(), side),
        }
    }
}

/// Why a DNG was not written. Nothing stands under the final name then.
#[derive(Debug, thiserror::Error)]
pub enum DngError {
    /// The frame contradicts itself.
    #[error("the frame for {file} cannot be written as DNG: {why}")]
    Frame {
        /// The file that was to be written.
        file: String,
        /// What is wrong.
        why: String,
    },
    /// The file system refused.
    #[error(
        "{file} could not be written: {source}; check that the folder exists, may be written to and has room"
    )]
    Io {
        /// The file that was to be written.
        file: String,
        /// What the system said.
        source: std::io::Error,
    },
}

/// Writes the frame beside its place, flushes it to the disk and renames it into place.
///
/// # Errors
/// [`DngError::Frame`] if the sizes, levels or numbers contradict each other, [`DngError::Io`] if
/// the file system refuses; no half file is left under the final name.
pub fn write_dng(path: &Path, frame: &DngFrame) -> Result<(), DngError> {
    let file = path.display().to_string();
    check(frame).map_err(|why| DngError::Frame {
        file: file.clone(),
        why,
    })?;
    let encode = |out: &mut BufWriter<File>| {
        encode(out, frame).map_err(|error| match error {
            tiff::TiffError::IoError(error) => error,
            other => std::io::Error::other(other.to_string()),
        })
    };
    write_whole(path, encode).map_err(|source| DngError::Io { file, source })
}

fn check(frame: &DngFrame) -> Result<(), String> {
    let (w, h) = (frame.width, frame.height);
    if w == 0 || h == 0 || u32::try_from(w).is_err() || u32::try_from(h).is_err() {
        return Err(format!("its size is {w} × {h}"));
    }
    if frame.samples.len() != w * h && !frame.is_linear() {
        return Err(format!(
            "{w} × {h} pixels need {} samples, {} were given",
            w * h,
            frame.samples.len()
        ));
    }
    if frame.samples.len() > (u32::MAX / 2 - 65536) as usize {
        return Err(format!("{w} × {h} pixels do not fit the 4 GiB of a classic TIFF"));
    }
    if frame.black.iter().any(|&b| b >= frame.white) {
        return Err(format!(
            "black {:?} must be below white {}",
            frame.black, frame.white
        ));
    }
    if !frame.as_shot_neutral.iter().all(|v| v.is_finite() && *v > 0.0) {
        return Err(format!(
            "the neutral {:?} must be positive",
            frame.as_shot_neutral
        ));
    }
    if !frame.xyz_to_camera.iter().flatten().all(|v| v.is_finite()) {
        return Err("the colour matrix must be finite".into());
    }
    Ok(())
}

type Directory<'a, W> = DirectoryEncoder<'a, W, TiffKindStandard>;

fn encode<W: Write + Seek>(out: W, frame: &DngFrame) -> Result<(), tiff::TiffError> {
    let mut encoder = TiffEncoder::new(out)?;
    let mut exif = encoder.extra_directory()?;
    write_exif(&mut exif, frame.meta)?;
    let exif = exif.finish_with_offsets()?.pointer.0 as u32;
    let gps = match frame.meta.gps_deg {
        Some(position) => {
            let mut gps = encoder.extra_directory()?;
            write_gps(&mut gps, position, frame.meta.gps_elevation_m)?;
            Some(gps.finish_with_offsets()?.pointer.0 as u32)
        }
        None => None,
    };
    let mut root = encoder.image_directory()?;
    write_image(&mut root, frame)?;
    write_colour(&mut root, frame)?;
    write_camera(&mut root, frame.meta)?;
    root.write_tag(Tag::Unknown(34665), exif)?;
    if let Some(gps) = gps {
        root.write_tag(Tag::Unknown(34853), gps)?;
    }
    root.finish()
}

fn write_image<W: Write + Seek>(root: &mut Directory<W>, frame: &DngFrame) -> Result<(), tiff::TiffError> {
    let offset = root.write_data(frame.samples)?;
    root.write_tag(Tag::NewSubfileType, 0u32)?;
    root.write_tag(Tag::ImageWidth, frame.width as u32)?;
    root.write_tag(Tag::ImageLength, frame.height as u32)?;
    let channels = if frame.is_linear() { 3 } else { 1 };
    let filtered = channels == 1 && frame.cfa != Cfa::NONE;
    root.write_tag(Tag::BitsPerSample, &vec![16u16; channels][..])?;
    root.write_tag(Tag::Compression, 1u16)?;
    // CFA, or LinearRaw, which one channel without filters is too.
    root.write_tag(
        Tag::PhotometricInterpretation,
        if filtered { 32803u16 } else { 34892 },
    )?;
    root.write_tag(Tag::StripOffsets, offset as u32)?;
    root.write_tag(Tag::SamplesPerPixel, channels as u16)?;
    root.write_tag(Tag::RowsPerStrip, frame.height as u32)?;
    root.write_tag(Tag::StripByteCounts, (frame.samples.len() * 2) as u32)?;
    root.write_tag(Tag::PlanarConfiguration, 1u16)?;
    if filtered {
        // CFARepeatPatternDim, CFAPattern, CFAPlaneColor, CFALayout.
        root.write_tag(Tag::Unknown(33421), [frame.cfa.side() as u16; 2])?;
        root.write_tag(Tag::Unknown(33422), frame.cfa.cell())?;
        root.write_tag(Tag::Unknown(50710), [0u8, 1, 2])?;
        root.write_tag(Tag::Unknown(50711), 1u16)?;
    }
    // BlackLevelRepeatDim, BlackLevel, WhiteLevel.
    let (blacks, side) = frame.blacks();
    root.write_tag(Tag::Unknown(50713), [side as u16; 2])?;
    root.write_tag(Tag::Unknown(50714), &blacks[..])?;
    root.write_tag(Tag::Unknown(50717), &vec![u32::from(frame.white); channels][..])?;
    // DefaultCropOrigin, DefaultCropSize, ActiveArea (top, left, bottom, right).
    let (w, h) = (frame.width as u32, frame.height as u32);
    root.write_tag(Tag::Unknown(50719), [0u32, 0])?;
    root.write_tag(Tag::Unknown(50720), [w, h])?;
    root.write_tag(Tag::Unknown(50829), [0u32, 0, h, w])
}

fn write_colour<W: Write + Seek>(root: &mut Directory<W>, frame: &DngFrame) -> Result<(), tiff::TiffError> {
    // DNGVersion, DNGBackwardVersion.
    root.write_tag(Tag::Unknown(50706), [1u8, 4, 0, 0])?;
    root.write_tag(Tag::Unknown(50707), [1u8, 1, 0, 0])?;
    if frame.cfa == Cfa::NONE && !frame.is_linear() {
        return Ok(());
    }
    let matrix: Vec<SRational> = frame.xyz_to_camera.iter().flatten().map(|&v| signed(v)).collect();
    let neutral: Vec<Rational> = frame.as_shot_neutral.iter().map(|&v| unsigned(v)).collect();
    // ColorMatrix1, AsShotNeutral, CalibrationIlluminant1 (21: D65).
    root.write_tag(Tag::Unknown(50721), &matrix[..])?;
    root.write_tag(Tag::Unknown(50728), &neutral[..])?;
    root.write_tag(Tag::Unknown(50778), 21u16)
}

fn write_camera<W: Write + Seek>(root: &mut Directory<W>, meta: &FrameMeta) -> Result<(), tiff::TiffError> {
    let make = meta.make.as_deref().unwrap_or("Unknown");
    let model = meta.model.as_deref().unwrap_or("Unknown");
    root.write_tag(Tag::Make, ascii(make).as_str())?;
    root.write_tag(Tag::Model, ascii(model).as_str())?;
    root.write_tag(
        Tag::Orientation,
        u16::from(meta.orientation.filter(|o| (1..=8).contains(o)).unwrap_or(1)),
    )?;
    root.write_tag(Tag::Unknown(50708), ascii(&format!("{make} {model}")).as_str())?;
    if let Some(serial) = &meta.serial {
        root.write_tag(Tag::Unknown(50735), ascii(serial).as_str())?;
    }
    if let Some((date, _)) = meta.taken_local.as_deref().and_then(exif_time) {
        root.write_tag(Tag::DateTime, date.as_str())?;
    }
    Ok(())
}

fn write_exif<W: Write + Seek>(exif: &mut Directory<W>, meta: &FrameMeta) -> Result<(), tiff::TiffError> {
    exif.write_tag(Tag::Unknown(36864), Undefined(*b"0231"))?;
    write_rational(exif, 33434, meta.exposure_s)?;
    write_rational(exif, 33437, meta.f_number)?;
    write_rational(exif, 37386, meta.focal_mm)?;
    if let Some(iso) = meta.iso.filter(|v| v.is_finite() && *v >= 1.0) {
        // PhotographicSensitivity saturates at 65535; ISOSpeed carries the rest (EXIF 2.31, 4.6.5).
        exif.write_tag(Tag::Unknown(34855), iso.round().min(65535.0) as u16)?;
        exif.write_tag(Tag::Unknown(34864), 3u16)?;
        exif.write_tag(Tag::Unknown(34867), iso.round() as u32)?;
    }
    if let Some((date, fraction)) = meta.taken_local.as_deref().and_then(exif_time) {
        exif.write_tag(Tag::Unknown(36867), date.as_str())?;
        if !fraction.is_empty() {
            exif.write_tag(Tag::Unknown(37521), fraction.as_str())?;
        }
    }
    if let Some(offset) = &meta.taken_offset {
        exif.write_tag(Tag::Unknown(36880), ascii(offset).as_str())?;
        exif.write_tag(Tag::Unknown(36881), ascii(offset).as_str())?;
    }
    if let Some(pitch) = meta.pixel_um.filter(|v| v.is_finite() && *v > 0.0) {
        // FocalPlaneXResolution, YResolution per centimetre (unit 3).
        let pitch = unsigned(pitch);
        let per_cm = match pitch.d.checked_mul(10_000) {
            Some(n) if pitch.n > 0 => Rational { n, d: pitch.n },
            _ => unsigned(1.0e4 * f64::from(pitch.d) / f64::from(pitch.n.max(1))),
        };
        exif.write_tag(Tag::Unknown(41486), per_cm.clone())?;
        exif.write_tag(Tag::Unknown(41487), per_cm)?;
        exif.write_tag(Tag::Unknown(41488), 3u16)?;
    }
    if let Some(focal) = meta.focal_35mm.filter(|v| v.is_finite() && *v >= 1.0) {
        exif.write_tag(Tag::Unknown(41989), focal.round().min(65535.0) as u16)?;
    }
    if let Some(serial) = &meta.serial {
        exif.write_tag(Tag::Unknown(42033), ascii(serial).as_str())?;
    }
    if let Some(lens) = &meta.lens {
        exif.write_tag(Tag::Unknown(42036), ascii(lens).as_str())?;
    }
    Ok(())
}

fn write_rational<W: Write + Seek>(
    directory: &mut Directory<W>,
    tag: u16,
    value: Option<f64>,
) -> Result<(), tiff::TiffError> {
    match value.filter(|v| v.is_finite() && *v > 0.0) {
        Some(value) => directory.write_tag(Tag::Unknown(tag), unsigned(value)),
        None => Ok(()),
    }
}

fn write_gps<W: Write + Seek>(
    gps: &mut Directory<W>,
    [latitude, longitude]: [f64; 2],
    elevation: Option<f64>,
) -> Result<(), tiff::TiffError> {
    gps.write_tag(Tag::Unknown(0), [2u8, 3, 0, 0])?;
    gps.write_tag(Tag::Unknown(1), if latitude < 0.0 { "S" } else { "N" })?;
    gps.write_tag(Tag::Unknown(2), &sexagesimal(latitude)[..])?;
    gps.write_tag(Tag::Unknown(3), if longitude < 0.0 { "W" } else { "E" })?;
    gps.write_tag(Tag::Unknown(4), &sexagesimal(longitude)[..])?;
    if let Some(height) = elevation {
        gps.write_tag(Tag::Unknown(5), u8::from(height < 0.0))?;
        gps.write_tag(Tag::Unknown(6), unsigned(height.abs()))?;
    }
    Ok(())
}

fn sexagesimal(degrees: f64) -> [Rational; 3] {
    // In units of 0.0001″ (3 mm on the ground), so that no part can round up to 60.
    let units = (degrees.abs() * 36_000_000.0).round() as u64;
    let part = |n: u64, d: u32| Rational { n: n as u32, d };
    [
        part(units / 36_000_000, 1),
        part(units / 600_000 % 60, 1),
        part(units % 600_000, 10_000),
    ]
}

/// Splits `2026-11-24T21:03:05.25` into the EXIF form and the digits after the point.
fn exif_time(local: &str) -> Option<(String, String)> {
    let (whole, fraction) = local.split_once('.').unwrap_or((local, ""));
    let (date, time) = whole.split_once(['T', ' '])?;
    let digits = fraction.chars().take_while(char::is_ascii_digit).collect();
    Some((format!("{} {time}", date.replace('-', ":")), digits))
}

/// TIFF text is seven-bit.
fn ascii(text: &str) -> String {
    text.chars()
        .map(|c| if c.is_ascii_graphic() || c == ' ' { c } else { '?' })
        .collect()
}

/// The fraction nearest to a positive value: exact for whole numbers, for the usual shutter times
/// and for decimals of up to six places, within 2⁻³¹ relative for the rest.
fn unsigned(value: f64) -> Rational {
    let value = value.max(0.0);
    if value > 0.0 && value < 1.0 {
        let inverse = (1.0 / value).round();
        if inverse <= f64::from(u32::MAX) && 1.0 / inverse == value {
            return Rational {
                n: 1,
                d: inverse as u32,
            };
        }
    }
    let scale = [1u32, 10, 100, 1000, 10_000, 100_000, 1_000_000]
        .into_iter()
        .find(|&d| {
            let scaled = value * f64::from(d);
            scaled <= f64::from(u32::MAX) && (scaled.round() / f64::from(d)) == value
        })
        .unwrap_or_else(|| {
            let room = f64::from(u32::MAX) / value.max(1.0);
            (room.min(1.0e9) as u32).max(1)
        });
    let n = (value * f64::from(scale)).round().min(f64::from(u32::MAX));
    Rational {
        n: n as u32,
        d: scale,
    }
}

/// A matrix entry to nine decimals, fewer where it is large.
fn signed(value: f64) -> SRational {
    let d = (f64::from(i32::MAX) / value.abs().max(1.0)).min(1.0e9) as i32;
    let d = d.max(1);
    SRational {
        n: (value * f64::from(d))
            .round()
            .clamp(f64::from(i32::MIN), f64::from(i32::MAX)) as i32,
        d,
    }
}

/// Four bytes of type UNDEFINED, which EXIF wants for its version.
struct Undefined([u8; 4]);

impl tiff::encoder::TiffValue for Undefined {
    const BYTE_LEN: u8 = 1;
    const FIELD_TYPE: Type = Type::UNDEFINED;
    fn count(&self) -> usize {
        self.0.len()
    }
    fn data(&self) -> std::borrow::Cow<'_, [u8]> {
        std::borrow::Cow::Borrowed(&self.0)
    }
}
