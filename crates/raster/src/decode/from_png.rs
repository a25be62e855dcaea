//! PNG (ISO/IEC 15948:2004; W3C PNG third edition for its EXIF chunk).

use super::coded::{Channels, Coded, Finished, Samples};
use super::layout::{check_held, check_size};
use super::profile::{self, Curve};
use super::{DecodeError, Limits, exif};
use crate::FrameMeta;
use png::{BitDepth, ColorType, Decoder, Transformations};
use std::io::BufReader;
use std::path::Path;

/// Deflate makes at most 1032 bytes of one (RFC 1951: 258 bytes by two codes of one bit each).
const MOST_BITS: u64 = 8 * 1032;

type Reader = png::Reader<BufReader<std::fs::File>>;

fn open(path: &Path, limits: &Limits) -> Result<Reader, DecodeError> {
    let file = crate::open_regular(path).map_err(|e| DecodeError::io(path, e))?;
    let bytes = usize::try_from(limits.max_memory_bytes / 2).unwrap_or(usize::MAX);
    let mut decoder = Decoder::new_with_limits(BufReader::new(file), png::Limits { bytes });
    decoder.set_transformations(Transformations::EXPAND);
    decoder.read_info().map_err(|e| explain(path, &e))
}

fn explain(path: &Path, error: &png::DecodingError) -> DecodeError {
    match error {
        png::DecodingError::IoError(e) if e.kind() == std::io::ErrorKind::UnexpectedEof => {
            DecodeError::no_pixels(path, "the file ends in the middle of the picture")
        }
        other => DecodeError::damaged(path, other),
    }
}

pub(crate) fn meta(path: &Path, limits: &Limits) -> Result<FrameMeta, DecodeError> {
    Ok(said(&open(path, limits)?))
}

fn said(reader: &Reader) -> FrameMeta {
    let block = reader.info().exif_metadata.as_deref();
    block.map_or_else(FrameMeta::default, |block| exif::from_block(block.to_vec()))
}

pub(crate) fn decode(path: &Path, limits: &Limits) -> Result<Coded, DecodeError> {
    let mut reader = open(path, limits)?;
    let (width, height) = reader.info().size();
    let (kind, depth) = reader.output_color_type();
    let wide = depth == BitDepth::Sixteen;
    let stored = kind.samples();
    let per_pixel = stored as u64 * if wide { 2 } else { 1 };
    check_size(path, width.into(), height.into(), per_pixel, limits)?;
    let length = std::fs::metadata(path)
        .map_err(|e| DecodeError::io(path, e))?
        .len();
    let bits = reader.info().bits_per_pixel() as u64;
    check_held(path, width.into(), height.into(), bits, length, MOST_BITS)?;
    let channels = if matches!(kind, ColorType::Grayscale | ColorType::GrayscaleAlpha) {
        Channels::Grey
    } else {
        Channels::Rgb
    };
    let size = reader
        .output_buffer_size()
        .ok_or_else(|| DecodeError::damaged(path, "its size overflows"))?;
    let mut data = vec![0u8; size];
    reader.next_frame(&mut data).map_err(|e| explain(path, &e))?;
    let samples = if wide {
        let values = data
            .chunks_exact(2)
            .map(|b| u16::from_be_bytes([b[0], b[1]]))
            .collect();
        Samples::U16(without_alpha(values, stored, channels.count()))
    } else {
        Samples::U8(without_alpha(data, stored, channels.count()))
    };
    let (curve, colour) = curve_and_colour(&reader);
    let finished = Finished {
        size: (width as usize, height as usize),
        channels,
        samples,
        white: if wide { 65535.0 } else { 255.0 },
        curve,
        colour,
        meta: said(&reader),
        bits: reader.info().bit_depth as u8,
    };
    Ok(finished.coded())
}

/// The profile, else the gAMA chunk unless sRGB is stated, else sRGB.
fn curve_and_colour(reader: &Reader) -> (Curve, crate::CameraColour) {
    let info = reader.info();
    if let Some(found) = info.icc_profile.as_deref().and_then(profile::read) {
        return found;
    }
    let (curve, colour) = profile::srgb();
    let gamma = info
        .source_gamma
        .map(|g| g.into_value())
        .filter(|g| info.srgb.is_none() && *g > 0.0);
    // 0.45455 is what sRGB files carry for readers that know no better.
    match gamma {
        Some(g) if (g - 0.454_55).abs() > 0.005 => (Curve::gamma(1.0 / g), colour),
        _ => (curve, colour),
    }
}

/// Keeps the first `kept` of every `stored` samples, in place.
pub(crate) fn without_alpha<T: Copy>(mut data: Vec<T>, stored: usize, kept: usize) -> Vec<T> {
    if stored == kept {
        return data;
    }
    let pixels = data.len() / stored.max(1);
    for i in 0..pixels {
        data.copy_within(i * stored..i * stored + kept, i * kept);
    }
    data.truncate(pixels * kept);
    data
}
