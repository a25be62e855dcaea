//! Camera raw, by `rawler`.

use super::camera_colour::{D50, D65, camera_colour, usable_balance};
use super::coded::{Channels, Coded, Depth, Header, Samples};
use super::layout::{CONVERT, Layout, check_camera_size, check_size};
use super::opcodes::{self, Opcode};
use super::profile::Curve;
use super::{DecodeError, Limits, masked, raw_meta};
use crate::{Cfa, FrameMeta};
use rawler::RawLoader;
use rawler::decoders::dng::DngDecoder;
use rawler::decoders::{Decoder, FormatHint, RawDecodeParams, WellKnownIFD};
use rawler::formats::tiff::{GenericTiffReader, Value};
use rawler::imgop::xyz::Illuminant;
use rawler::rawimage::{RawImage, RawImageData, RawPhotometricInterpretation};
use rawler::rawsource::RawSource;
use std::path::Path;
use std::sync::OnceLock;

/// Opens a raw without decoding it.
pub(crate) fn open(path: &Path) -> Result<RawSource, DecodeError> {
    RawSource::new(path).map_err(|e| DecodeError::io(path, e))
}

/// What the file says of the exposure.
pub(crate) fn meta(path: &Path) -> Result<FrameMeta, DecodeError> {
    let source = open(path)?;
    // Without a decoder (unknown camera) there is still plain EXIF.
    let layout = Layout::read(source.buf());
    let find = std::panic::AssertUnwindSafe(|| decoder(&source, layout.as_ref()).ok());
    let decoder = std::panic::catch_unwind(find);
    said(path, raw_meta::read(&source, decoder.ok().flatten().as_deref()))
}

/// The same without asking a decoder.
pub(crate) fn plain_meta(path: &Path) -> Result<FrameMeta, DecodeError> {
    said(path, raw_meta::read(&open(path)?, None))
}

fn said(path: &Path, meta: FrameMeta) -> Result<FrameMeta, DecodeError> {
    if meta == FrameMeta::default() {
        return Err(DecodeError::damaged(path, "no EXIF could be read from it"));
    }
    Ok(meta)
}

/// The samples within the recommended area, and what makes light of them.
pub(crate) fn decode(path: &Path, limits: &Limits) -> Result<Coded, DecodeError> {
    let source = open(path)?;
    let layout = Layout::read(source.buf());
    let length = source.buf().len() as u64;
    if let Some(layout) = &layout {
        layout.check(path, length, limits)?;
        layout.check_filters(path)?;
    }
    if let Some((width, height)) = fuji_size(source.buf()) {
        check_camera_size(path, width, height, length, limits)?;
    }
    let decoder = decoder(&source, layout.as_ref()).map_err(|e| refuse(path, &e))?;
    if source.buf().get(4..8) == Some(b"ftyp") {
        // CR3: no directories to look into, but the decoder tells the size before it decodes.
        let dummy = decoder
            .raw_image(&source, &RawDecodeParams::default(), true)
            .map_err(|e| refuse(path, &e))?;
        check_camera_size(path, dummy.width as u64, dummy.height as u64, length, limits)?;
    }
    let image = decoder
        .raw_image(&source, &RawDecodeParams::default(), false)
        .map_err(|e| refuse(path, &e))?;
    check_size(
        path,
        image.width as u64,
        image.height as u64,
        image.cpp.max(1) as u64 * 2,
        limits,
    )?;
    let meta = raw_meta::read(&source, Some(&*decoder));
    code(path, image, &*decoder, meta)
}

/// The decoder for a file. A DNG describes itself, so the list of cameras, which takes 60 ms to
/// read, is left out for it.
fn decoder<'a>(source: &RawSource, layout: Option<&Layout>) -> rawler::Result<Box<dyn Decoder + 'a>> {
    static NO_CAMERAS: OnceLock<RawLoader> = OnceLock::new();
    if layout.is_some_and(Layout::is_dng) {
        let tiff = GenericTiffReader::new(&mut source.reader(), 0, 0, None, &[])?;
        return Ok(Box::new(DngDecoder::new(
            source,
            tiff,
            NO_CAMERAS.get_or_init(RawLoader::default),
        )?));
    }
    rawler::get_decoder(source)
}

fn refuse(path: &Path, error: &rawler::RawlerError) -> DecodeError {
    match error {
        rawler::RawlerError::Unsupported { make, model, .. } if make.is_empty() && model.is_empty() => {
            DecodeError::damaged(path, "no raw picture was found in it")
        }
        rawler::RawlerError::Unsupported {
            what, model, make, ..
        } => DecodeError::unsupported(
            path,
            format!(
                "raw data of a camera not known here ({} {}: {})",
                make.trim(),
                model.trim(),
                what.trim()
            ),
            "convert it to DNG first and use that",
        ),
        rawler::RawlerError::DecoderFailed(why)
            if why.contains("behind EOF") || why.contains("fill whole buffer") =>
        {
            DecodeError::no_pixels(path, "its raw data should go on beyond the end of the file")
        }
        rawler::RawlerError::DecoderFailed(why) => DecodeError::damaged(path, why),
    }
}

/// RAF: the size of the whole sensor stands under tag 0x100 of the directory that byte 92 points
/// to (big-endian; entries of tag, length, data).
fn fuji_size(data: &[u8]) -> Option<(u64, u64)> {
    let short = |at: usize| {
        Some(u16::from_be_bytes(
            data.get(at..at.checked_add(2)?)?.try_into().ok()?,
        ))
    };
    let word = |at: usize| Some((u32::from(short(at)?) << 16 | u32::from(short(at + 2)?)) as usize);
    data.starts_with(b"FUJIFILMCCD-RAW").then_some(())?;
    let directory = word(92)?;
    let mut at = directory.checked_add(4)?;
    for _ in 0..word(directory)?.min(256) {
        if short(at)? == 0x100 {
            return Some((short(at + 6)?.into(), short(at + 4)?.into()));
        }
        at += 4 + usize::from(short(at + 2)?);
    }
    None
}

/// Left, top, width, height.
type Area = [usize; 4];

fn area(image: &RawImage) -> Area {
    let whole = [0, 0, image.width, image.height];
    let inside = |r: &rawler::imgop::Rect| {
        let area = [r.p.x, r.p.y, r.d.w, r.d.h];
        let fits = |at: usize, size: usize, most: usize| {
            size > 0 && at.checked_add(size).is_some_and(|end| end <= most)
        };
        (fits(area[0], area[2], image.width) && fits(area[1], area[3], image.height)).then_some(area)
    };
    let crop = image.crop_area.as_ref().and_then(inside);
    crop.or_else(|| image.active_area.as_ref().and_then(inside))
        .unwrap_or(whole)
}

fn code(path: &Path, image: RawImage, decoder: &dyn Decoder, meta: FrameMeta) -> Result<Coded, DecodeError> {
    let area = area(&image);
    let dng = decoder.format_hint() == FormatHint::DNG;
    let channels = channels(path, &image, area, dng)?;
    let mut white = white(&image, channels);
    let float = matches!(image.data, RawImageData::Float(_));
    if float && !states_white(decoder) {
        // DNG 1.4, WhiteLevel: 1.0 is the default of floating-point data.
        white = vec![1.0; channels.places()];
    }
    let mut header = Header {
        width: area[2],
        height: area[3],
        channels,
        depth: if float { Depth::F32 } else { Depth::U16 },
        black: black(&image, channels, area, dng),
        white,
        curve: Curve::Linear,
        orientation: meta.orientation.unwrap_or(1),
        colour: colour(&image),
        meta,
        bits: u8::try_from(image.bps).unwrap_or(16),
        was_linear: true,
    };
    if let Some(black) = masked_black(decoder, &image, channels, area) {
        header.black = black;
    }
    check_levels(path, &header)?;
    let (width, height) = (image.width, image.height);
    let opcodes = mapping(decoder);
    let samples = match image.data {
        RawImageData::Integer(data) if !opcodes.is_empty() => {
            let values = mapped(&data, &opcodes, &mut header, width, area);
            crop(values, width, height, channels.count(), area).map(Samples::F32)
        }
        RawImageData::Integer(data) => crop(data, width, height, channels.count(), area).map(Samples::U16),
        RawImageData::Float(data) => crop(data, width, height, channels.count(), area).map(Samples::F32),
    };
    let samples =
        samples.ok_or_else(|| DecodeError::damaged(path, "it decodes to fewer pixels than it declares"))?;
    Ok(Coded { header, samples })
}

fn masked_black(decoder: &dyn Decoder, image: &RawImage, channels: Channels, area: Area) -> Option<Vec<f32>> {
    let ifd = decoder.ifd(WellKnownIFD::Raw).ok().flatten()?;
    let RawImageData::Integer(data) = &image.data else {
        return None;
    };
    let side = match channels {
        Channels::Mosaic(cfa) => cfa.side(),
        Channels::Grey => 1,
        Channels::Rgb => return None,
    };
    masked::black(&ifd, (data, image.width), [area[0], area[1]], side)
}

fn check_levels(path: &Path, header: &Header) -> Result<(), DecodeError> {
    let sound = |(b, w): (&f32, &f32)| b.is_finite() && w.is_finite() && b < w;
    if header.black.iter().zip(&header.white).all(sound) {
        return Ok(());
    }
    let (black, white) = (&header.black, &header.white);
    Err(DecodeError::damaged(
        path,
        format!("its black level {black:?} is not below its white level {white:?}"),
    ))
}

fn channels(path: &Path, image: &RawImage, area: Area, dng: bool) -> Result<Channels, DecodeError> {
    match (&image.photometric, image.cpp) {
        (RawPhotometricInterpretation::Cfa(config), 1) => {
            let cfa = &config.cfa;
            let side = if (cfa.width, cfa.height) == (6, 6) { 6 } else { 2 };
            let own = (cfa.width, cfa.height) == (side, side) && cfa.is_rgb();
            // A DNG's cell starts at its active area. `rawler` moves it by the area's corner in the wrong sense, which in
            // cells of two is the same.
            let (left, top) = corner(image, dng);
            let back = |at: usize, corner: usize| at + 2 * (side - corner % side);
            let at = |x: usize, y: usize| cfa.color_at(back(area[1] + y, top), back(area[0] + x, left));
            own.then(|| Cfa::new(side, at))
                .flatten()
                .map(Channels::Mosaic)
                .ok_or_else(|| {
                    let what = format!("a mosaic of unusual filters ({})", cfa.name);
                    DecodeError::unsupported(path, what, CONVERT)
                })
        }
        (_, 1) => Ok(Channels::Grey),
        (_, 3) => Ok(Channels::Rgb),
        (_, n) => Err(DecodeError::unsupported(
            path,
            format!("a raw of {n} channels"),
            CONVERT,
        )),
    }
}

/// Where a DNG's patterns start.
fn corner(image: &RawImage, dng: bool) -> (usize, usize) {
    let active = image.active_area.as_ref().filter(|_| dng);
    active.map_or((0, 0), |r| (r.p.x, r.p.y))
}

/// Black per place of the cell that starts at the first pixel of the area, or per channel. The
/// pattern of levels starts at the first sensor pixel, in DNG at that of the active area
/// (DNG 1.4, BlackLevelRepeatDim).
fn black(image: &RawImage, channels: Channels, area: Area, dng: bool) -> Vec<f32> {
    let levels = image.blacklevel.as_vec();
    let (w, h, cpp) = (
        image.blacklevel.width.max(1),
        image.blacklevel.height.max(1),
        image.blacklevel.cpp.max(1),
    );
    if levels.len() < w * h * cpp {
        return vec![levels.first().copied().unwrap_or(0.0); channels.places()];
    }
    let origin = corner(image, dng);
    let (left, top) = (area[0].saturating_sub(origin.0), area[1].saturating_sub(origin.1));
    let at =
        |x: usize, y: usize, c: usize| levels[(((top + y) % h) * w + (left + x) % w) * cpp + c.min(cpp - 1)];
    match channels {
        Channels::Mosaic(cfa) => {
            let side = cfa.side();
            (0..side * side).map(|i| at(i % side, i / side, 0)).collect()
        }
        Channels::Rgb => (0..3).map(|c| at(0, 0, c)).collect(),
        Channels::Grey => vec![at(0, 0, 0)],
    }
}

fn white(image: &RawImage, channels: Channels) -> Vec<f32> {
    let levels = image.whitelevel.as_vec();
    let first = levels.first().copied().unwrap_or(65535.0);
    match (channels, levels.len()) {
        (Channels::Mosaic(cfa), 4) if cfa.side() == 2 => levels,
        (Channels::Rgb, 3..) => levels[..3].to_vec(),
        _ => vec![first; channels.places()],
    }
}

fn mapping(decoder: &dyn Decoder) -> Vec<Opcode> {
    let raw = decoder.ifd(WellKnownIFD::Raw).ok().flatten();
    let list = raw
        .as_ref()
        .and_then(|ifd| match &ifd.entries().get(&51009)?.value {
            Value::Undefined(bytes) | Value::Byte(bytes) => Some(opcodes::read(bytes)),
            _ => None,
        });
    list.unwrap_or_default()
}

/// Normalises the samples and applies the mapping; the header then says so.
fn mapped(data: &[u16], opcodes: &[Opcode], header: &mut Header, width: usize, area: Area) -> Vec<f32> {
    let count = header.channels.count();
    let side = match header.channels {
        Channels::Mosaic(cfa) => Some(cfa.side()),
        Channels::Rgb | Channels::Grey => None,
    };
    // Levels count from the area's first pixel on, the samples from the sensor's.
    let from = |at: usize, start: usize, side: usize| (at + side - start % side) % side;
    let place = |i: usize| match side {
        Some(side) => from(i / width, area[1], side) * side + from(i % width, area[0], side),
        None => i % count,
    };
    let normal = |(i, &v): (usize, &u16)| {
        let p = place(i);
        (f32::from(v) - header.black[p]) / (header.white[p] - header.black[p])
    };
    let mut values: Vec<f32> = data.iter().enumerate().map(normal).collect();
    opcodes::apply(opcodes, &mut values, width, count);
    header.depth = Depth::F32;
    header.black = vec![0.0; header.channels.places()];
    header.white = vec![1.0; header.channels.places()];
    values
}

fn states_white(decoder: &dyn Decoder) -> bool {
    let raw = decoder.ifd(WellKnownIFD::Raw).ok().flatten();
    raw.is_some_and(|ifd| ifd.entries().contains_key(&50717))
}

/// Chromaticities of the illuminants matrices are made for (CIE 15:2018), nearest to D65 first.
const LIGHTS: [(Illuminant, [f64; 2]); 8] = [
    (Illuminant::D65, D65),
    (Illuminant::Daylight, [0.3324, 0.3474]),
    (Illuminant::D55, [0.3324, 0.3474]),
    (Illuminant::D75, [0.2990, 0.3149]),
    (Illuminant::Flash, [0.3324, 0.3474]),
    (Illuminant::D50, D50),
    (Illuminant::Unknown, D65),
    (Illuminant::A, [0.4476, 0.4074]),
];

fn colour(image: &RawImage) -> crate::CameraColour {
    let matrix = LIGHTS.iter().find_map(|(light, white)| {
        let flat = image.color_matrix.get(light).filter(|m| m.len() == 9)?;
        let at = |i: usize, j: usize| f64::from(flat[3 * i + j]);
        Some(([0, 1, 2].map(|i| [0, 1, 2].map(|j| at(i, j))), *white))
    });
    let [r, g, b, _] = image.wb_coeffs;
    camera_colour(matrix, usable_balance([r, g, b]))
}

/// The area out of the whole, in place: no second copy of a large frame.
fn crop<T: Copy>(
    mut data: Vec<T>,
    width: usize,
    height: usize,
    channels: usize,
    area: Area,
) -> Option<Vec<T>> {
    let stride = width.checked_mul(channels)?;
    if data.len() < stride.checked_mul(height)? {
        return None;
    }
    let [left, top, w, h] = area;
    let row = w * channels;
    for y in 0..h {
        let from = (top + y) * stride + left * channels;
        data.copy_within(from..from + row, y * row);
    }
    data.truncate(row * h);
    Some(data)
}
