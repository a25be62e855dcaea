//! TIFF (TIFF 6.0): the first picture of the file, 8, 16 or 32 bits, whole numbers or floats, grey
//! or RGB, with or without alpha (dropped), interleaved or planar.

use super::coded::{Channels, Coded, Depth, Finished, Samples};
use super::from_png::without_alpha;
use super::layout::{Layout, check_size};
use super::profile::{self, Curve};
use super::{DecodeError, Limits, exif};
use crate::FrameMeta;
use std::io::Cursor;
use std::path::Path;
use tiff::ColorType;
use tiff::decoder::{Decoder, DecodingResult};
use tiff::tags::Tag;

const RESAVE: &str = "save it as 16-bit RGB or grey TIFF, uncompressed or with LZW or deflate, and use that";

pub(crate) fn meta(data: &[u8]) -> FrameMeta {
    exif::from_container(data)
}

pub(crate) fn decode(
    path: &Path,
    data: &[u8],
    layout: &Layout,
    limits: &Limits,
) -> Result<Coded, DecodeError> {
    layout.check(path, data.len() as u64, limits)?;
    let explain = |e: tiff::TiffError| explain(path, &e);
    let mut decoder = Decoder::new(Cursor::new(data))
        .map_err(explain)?
        .with_limits(bounds(limits));
    let (width, height) = decoder.dimensions().map_err(explain)?;
    let colour_type = decoder.colortype().map_err(explain)?;
    let (stored, bits) = (usize::from(colour_type.num_samples()), colour_type.bit_depth());
    let bytes = stored as u64 * u64::from(bits.div_ceil(8));
    check_size(path, width.into(), height.into(), bytes, limits)?;
    let channels = channels(path, colour_type)?;
    let mut result = DecodingResult::U8(Vec::new());
    let laid_out = decoder.read_image_to_buffer(&mut result).map_err(explain)?;
    if result.as_buffer(0).as_bytes().len() < laid_out.complete_len {
        return Err(DecodeError::damaged(path, "its planes do not fit together"));
    }
    let size = (width as usize, height as usize);
    let (samples, white) = samples(path, result, size, stored, laid_out.planes > 1, channels)?;
    let (curve, colour) = curve_and_colour(&mut decoder, &samples);
    let meta = meta(data);
    let finished = Finished {
        size,
        channels,
        samples,
        white,
        curve,
        colour,
        meta,
        bits,
    };
    Ok(finished.coded())
}

/// The profile, else sRGB. Floating-point TIFFs are linear by custom, whatever their profile's
/// curve.
fn curve_and_colour(decoder: &mut Decoder<Cursor<&[u8]>>, samples: &Samples) -> (Curve, crate::CameraColour) {
    let profile = decoder.find_tag(Tag::Unknown(34675)).ok().flatten();
    let profile = profile.and_then(|v| v.into_u8_vec().ok());
    let (curve, colour) = profile
        .as_deref()
        .and_then(profile::read)
        .unwrap_or_else(profile::srgb);
    if samples.depth() == Depth::F32 {
        (Curve::Linear, colour)
    } else {
        (curve, colour)
    }
}

fn channels(path: &Path, colour_type: ColorType) -> Result<Channels, DecodeError> {
    match colour_type {
        ColorType::Gray(_) | ColorType::GrayA(_) => Ok(Channels::Grey),
        ColorType::RGB(_) | ColorType::RGBA(_) => Ok(Channels::Rgb),
        ColorType::Multiband {
            num_samples: 1 | 2, ..
        } => Ok(Channels::Grey),
        ColorType::Multiband {
            num_samples: 3 | 4, ..
        } => Ok(Channels::Rgb),
        other => Err(DecodeError::unsupported(
            path,
            format!("a TIFF of colour type {other:?}"),
            RESAVE,
        )),
    }
}

fn bounds(limits: &Limits) -> tiff::decoder::Limits {
    let bytes = usize::try_from(limits.max_memory_bytes).unwrap_or(usize::MAX);
    let mut bounds = tiff::decoder::Limits::default();
    bounds.decoding_buffer_size = bytes;
    bounds.intermediate_buffer_size = bytes;
    bounds.ifd_value_size = bytes.min(64 << 20);
    bounds
}

fn explain(path: &Path, error: &tiff::TiffError) -> DecodeError {
    match error {
        tiff::TiffError::UnsupportedError(e) => {
            DecodeError::unsupported(path, format!("a kind of TIFF ({e})"), RESAVE)
        }
        tiff::TiffError::IoError(e) if e.kind() == std::io::ErrorKind::UnexpectedEof => {
            DecodeError::no_pixels(path, "the file ends in the middle of the picture")
        }
        other => DecodeError::damaged(path, other),
    }
}

/// The samples interleaved and without alpha, and the value of full white.
fn samples(
    path: &Path,
    result: DecodingResult,
    size: (usize, usize),
    stored: usize,
    planar: bool,
    channels: Channels,
) -> Result<(Samples, f32), DecodeError> {
    let kept = channels.count();
    let pixels = size.0 * size.1;
    fn arrange<T: Copy>(data: Vec<T>, pixels: usize, stored: usize, planar: bool, kept: usize) -> Vec<T> {
        if planar && stored > 1 && data.len() >= pixels * kept {
            return (0..pixels)
                .flat_map(|i| (0..kept).map(move |c| c * pixels + i))
                .map(|at| data[at])
                .collect();
        }
        without_alpha(data, stored, kept)
    }
    let floats = |data: Vec<f32>| Samples::F32(arrange(data, pixels, stored, planar, kept));
    let (samples, white) = match result {
        DecodingResult::U8(v) => (Samples::U8(arrange(v, pixels, stored, planar, kept)), 255.0),
        DecodingResult::U16(v) => (Samples::U16(arrange(v, pixels, stored, planar, kept)), 65535.0),
        DecodingResult::U32(v) => (floats(v.into_iter().map(|v| v as f32).collect()), u32::MAX as f32),
        DecodingResult::F16(v) => (floats(v.into_iter().map(f32::from).collect()), 1.0),
        DecodingResult::F32(v) => (floats(v), 1.0),
        DecodingResult::F64(v) => (floats(v.into_iter().map(|v| v as f32).collect()), 1.0),
        _ => {
            return Err(DecodeError::unsupported(
                path,
                "a TIFF of signed or 64-bit whole numbers",
                RESAVE,
            ));
        }
    };
    let count = samples.as_bytes().len() / samples.depth().bytes();
    if count != pixels * kept {
        return Err(DecodeError::damaged(
            path,
            format!("it decodes to {count} samples where {} belong", pixels * kept),
        ));
    }
    Ok((samples, white))
}
