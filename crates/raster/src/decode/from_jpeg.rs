//! JPEG (ISO/IEC 10918-1), baseline and progressive.

use super::coded::{Channels, Coded, Finished, Samples};
use super::layout::{check_held, check_size};
use super::profile;
use super::{DecodeError, Limits, exif};
use crate::FrameMeta;
use std::path::Path;
use zune_jpeg::JpegDecoder;
use zune_jpeg::zune_core::bytestream::ZCursor;
use zune_jpeg::zune_core::colorspace::ColorSpace;
use zune_jpeg::zune_core::options::DecoderOptions;

/// No JPEG of a camera is larger.
const MOST_BYTES: u64 = 512 << 20;
/// Each 8 × 8 block takes a bit at least, for its mean (ITU-T T.81, F.1.2.1), and a colour may be stored at a quarter.
const MOST_PIXELS_A_BYTE: u64 = 8 * 64;

fn read(path: &Path) -> Result<Vec<u8>, DecodeError> {
    crate::read_regular(path, MOST_BYTES).map_err(|e| DecodeError::io(path, e))
}

pub(crate) fn meta(path: &Path) -> Result<FrameMeta, DecodeError> {
    Ok(exif::from_container(&read(path)?))
}

pub(crate) fn decode(path: &Path, limits: &Limits) -> Result<Coded, DecodeError> {
    let data = read(path)?;
    check_end(path, &data)?;
    let options = DecoderOptions::default()
        .set_max_width(limits.max_width)
        .set_max_height(limits.max_height);
    let mut decoder = JpegDecoder::new_with_options(ZCursor::new(&data[..]), options);
    decoder
        .decode_headers()
        .map_err(|e| DecodeError::damaged(path, e))?;
    let info = decoder
        .info()
        .ok_or_else(|| DecodeError::damaged(path, "it has no picture header"))?;
    let (width, height) = (usize::from(info.width), usize::from(info.height));
    check_size(path, width as u64, height as u64, 3, limits)?;
    let length = data.len() as u64;
    check_held(path, width as u64, height as u64, 1, length, MOST_PIXELS_A_BYTE)?;
    let (channels, out) = colours(path, decoder.input_colorspace())?;
    decoder.set_options(options.jpeg_set_out_colorspace(out));
    let samples = decoder.decode().map_err(|e| DecodeError::damaged(path, e))?;
    if samples.len() != width * height * channels.count() {
        return Err(DecodeError::damaged(
            path,
            "it decodes to fewer pixels than it declares",
        ));
    }
    let found = decoder.icc_profile().and_then(|p| profile::read(&p));
    let (curve, colour) = found.unwrap_or_else(profile::srgb);
    let finished = Finished {
        size: (width, height),
        channels,
        samples: Samples::U8(samples),
        white: 255.0,
        curve,
        colour,
        meta: exif::from_container(&data),
        bits: 8,
    };
    Ok(finished.coded())
}

/// What the picture is made of, and what to ask of the decoder.
fn colours(path: &Path, stored: Option<ColorSpace>) -> Result<(Channels, ColorSpace), DecodeError> {
    match stored {
        Some(ColorSpace::Luma) => Ok((Channels::Grey, ColorSpace::Luma)),
        Some(ColorSpace::YCbCr | ColorSpace::RGB) => Ok((Channels::Rgb, ColorSpace::RGB)),
        other => {
            let what = format!("a JPEG of an unusual colour model ({other:?})");
            Err(DecodeError::unsupported(
                path,
                what,
                "save it as RGB first and use that",
            ))
        }
    }
}

/// Refuses a file that ends before its end marker: decoders fill the rest with grey in silence.
fn check_end(path: &Path, data: &[u8]) -> Result<(), DecodeError> {
    let mut at = 2;
    // Walk the segments up to the first scan, so that a thumbnail's end is not taken for ours.
    while let Some(&[0xff, marker, high, low]) = data.get(at..at + 4) {
        if marker == 0xda {
            break;
        }
        at += if marker == 0xff {
            1
        } else {
            2 + usize::from(u16::from_be_bytes([high, low]))
        };
    }
    let scans = data.get(at..).unwrap_or(&[]);
    if scans.windows(2).any(|w| w == [0xff, 0xd9]) {
        return Ok(());
    }
    Err(DecodeError::no_pixels(
        path,
        format!("the file ends after {} bytes without its end marker", data.len()),
    ))
}
