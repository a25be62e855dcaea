//! FITS (*Definition of the Flexible Image Transport System*, version 4.0, 2018): the first
//! two-dimensional picture, or cube of three planes, plain or tile-compressed.
//!
//! # Which way up
//! FITS counts rows from the bottom by custom. The order is taken, in this turn, from
//! [`DecodeOptions::fits_rows`]; the keyword `ROWORDER` (`TOP-DOWN` or `BOTTOM-UP`); else the
//! first stored row is the bottom. A plate solution in the header would tell too, but is not
//! asked: the frames and darks of one camera must come out alike, solved or not.
//!
//! # Filters
//! `BAYERPAT` (or `COLORTYP`, `CFAPATT`, or `FILTER` if it is one of the four patterns) names the
//! filters from the top left pixel of the upright picture on, moved by `XBAYROFF` and `YBAYROFF`.
//! There is no standard for it; this is common practice, no source.
//!
//! # Levels
//! Saturation is `SATURATE` (or `SATLEVEL`), else two to the power `BITDEPTH` less one, else the
//! top of the range that the sample type and `BZERO` give; for floats 1.0 if none exceeds 1.5,
//! else 65535.
//! `DATAMAX` is not asked: by the standard (4.4.2.6) it is the brightest value in this one
//! frame, so frames of one night would come out scaled differently. No light is `BLKLEVEL` (or
//! `BLACKLVL`, or the size of `PEDESTAL`), else 0: then the sensor's offset stays in the values,
//! and a bias or dark frame, or [`DecodeOptions::fits_black`], must take it out.

use super::camera_colour::SRGB_TO_WORKING;
use super::coded::{Channels, Coded, Header, Samples};
use super::exif::{position, tidy};
use super::layout::check_size;
use super::profile::Curve;
use super::{DecodeError, DecodeOptions, FitsRows, Limits};
use crate::{CameraColour, Cfa, FrameMeta};
use fitsio_pure::hdu::{Hdu, HduInfo};
use fitsio_pure::value::Value;
use std::path::Path;

pub(crate) fn meta(path: &Path) -> Result<FrameMeta, DecodeError> {
    let data = read(path)?;
    Ok(Cards::new(&find(path, &data)?).meta())
}

/// No frame is larger: 126 megapixels of three channels in 64 bits.
const MOST_BYTES: u64 = 3 << 30;

fn read(path: &Path) -> Result<Vec<u8>, DecodeError> {
    crate::read_regular(path, MOST_BYTES).map_err(|e| DecodeError::io(path, e))
}

/// The picture: its HDU (with the primary header's cards added), axes and type.
struct Picture {
    hdu: Hdu,
    primary: Vec<fitsio_pure::header::Card>,
    naxes: Vec<usize>,
    bitpix: i64,
}

fn find(path: &Path, data: &[u8]) -> Result<Picture, DecodeError> {
    super::fits_header::sound(data).map_err(|e| DecodeError::damaged(path, e))?;
    let fits = fitsio_pure::hdu::parse_fits(data).map_err(|e| match e {
        fitsio_pure::Error::UnexpectedEof => DecodeError::no_pixels(
            path,
            format!("the file ends after {} bytes, before its header says", data.len()),
        ),
        e => DecodeError::damaged(path, e),
    })?;
    let primary = fits.hdus.first().map(|h| h.cards.clone()).unwrap_or_default();
    for hdu in fits.hdus {
        let (naxes, bitpix) = match &hdu.info {
            HduInfo::Primary { bitpix, naxes } | HduInfo::Image { bitpix, naxes } => (naxes.clone(), *bitpix),
            HduInfo::CompressedImage { zbitpix, znaxes, .. } => (znaxes.clone(), *zbitpix),
            _ => continue,
        };
        let ones = naxes.iter().skip(3).all(|&n| n == 1);
        if naxes.len() >= 2 && ones && naxes.iter().all(|&n| n > 0) {
            return Ok(Picture {
                hdu,
                primary,
                naxes,
                bitpix,
            });
        }
    }
    Err(DecodeError::unsupported(
        path,
        "no two-dimensional picture",
        "leave it out",
    ))
}

pub(crate) fn decode(path: &Path, options: &DecodeOptions, limits: &Limits) -> Result<Coded, DecodeError> {
    let data = read(path)?;
    let picture = find(path, &data)?;
    let (width, height, planes) = shape(path, &picture, limits)?;
    let cards = Cards::new(&picture);
    let samples = samples(path, &data, &picture, planes)?;
    // Orientation 4 turns the picture upside down without mirroring left and right.
    let orientation = match rows(options, &cards) {
        FitsRows::BottomUp => 4,
        FitsRows::TopDown => 1,
    };
    let walk = super::orient::Walk::new(width, height, orientation);
    let channels = match (planes, options.fits_cfa.or_else(|| cards.cfa())) {
        (3, _) => Channels::Rgb,
        (_, Some(cfa)) => Channels::Mosaic(walk.cfa_backwards(cfa)),
        (_, None) => Channels::Grey,
    };
    let (black, white) = levels(path, options, &picture, &cards, &samples)?;
    let header = Header {
        width,
        height,
        channels,
        depth: samples.depth(),
        black: vec![black; channels.places()],
        white: vec![white; channels.places()],
        curve: Curve::Linear,
        orientation,
        colour: cards.colour(),
        meta: cards.meta(),
        bits: u8::try_from(picture.bitpix.unsigned_abs()).unwrap_or(16),
        was_linear: true,
    };
    Ok(Coded { header, samples })
}

/// Width, height, planes, as far as they are allowed.
fn shape(path: &Path, picture: &Picture, limits: &Limits) -> Result<(usize, usize, usize), DecodeError> {
    let (width, height) = (picture.naxes[0], picture.naxes[1]);
    let planes = picture.naxes.get(2).copied().unwrap_or(1);
    let bytes = 4 * planes.min(3) as u64;
    check_size(path, width as u64, height as u64, bytes, limits)?;
    if planes == 1 || planes == 3 {
        return Ok((width, height, planes));
    }
    let advice = "save one plane, or red, green and blue, and use that";
    Err(DecodeError::unsupported(
        path,
        format!("a cube of {planes} planes"),
        advice,
    ))
}

fn levels(
    path: &Path,
    options: &DecodeOptions,
    picture: &Picture,
    cards: &Cards,
    samples: &Samples,
) -> Result<(f32, f32), DecodeError> {
    let black = options.fits_black.or_else(|| cards.black()).unwrap_or(0.0) as f32;
    let stated = options.fits_white.or_else(|| cards.white());
    let white = stated.map_or_else(|| range_top(picture, cards, samples), |w| w as f32);
    if black < white && black.is_finite() && white.is_finite() {
        return Ok((black, white));
    }
    let why = format!("its level of no light {black} is not below its saturation {white}");
    Err(DecodeError::damaged(path, why))
}

/// The physical values; unsigned sixteen bits stay two bytes each. Cubes come out interleaved.
fn samples(path: &Path, data: &[u8], picture: &Picture, planes: usize) -> Result<Samples, DecodeError> {
    let hdu = &picture.hdu;
    let count = picture.naxes.iter().product::<usize>();
    let (scale, zero) = fitsio_pure::image::extract_bscale_bzero(&hdu.cards);
    let plain = matches!(hdu.info, HduInfo::Primary { .. } | HduInfo::Image { .. });
    let blank = fitsio_pure::image::extract_blank(&hdu.cards).is_some();
    let missing = || {
        let needed = hdu.data_start + hdu.data_len;
        DecodeError::no_pixels(
            path,
            format!(
                "its header asks for a file of {needed} bytes, it has {}",
                data.len()
            ),
        )
    };
    if plain && picture.bitpix == 16 && (scale, zero) == (1.0, 32768.0) && !blank && planes == 1 {
        let end = hdu.data_start.saturating_add(count * 2);
        let bytes = data.get(hdu.data_start..end).ok_or_else(missing)?;
        let value = |b: &[u8]| u16::from_be_bytes([b[0], b[1]]) ^ 0x8000;
        return Ok(Samples::U16(bytes.chunks_exact(2).map(value).collect()));
    }
    let values = fitsio_pure::image::read_image_physical_f32(data, hdu).map_err(|e| match e {
        fitsio_pure::Error::UnexpectedEof => missing(),
        e => DecodeError::damaged(path, e),
    })?;
    if planes == 1 {
        return Ok(Samples::F32(values));
    }
    let pixels = count / planes;
    Ok(Samples::F32(
        (0..count)
            .map(|i| values[i % planes * pixels + i / planes])
            .collect(),
    ))
}

fn range_top(picture: &Picture, cards: &Cards, samples: &Samples) -> f32 {
    let (scale, zero) = (
        cards.number(&["BSCALE"]).unwrap_or(1.0),
        cards.number(&["BZERO"]).unwrap_or(0.0),
    );
    match picture.bitpix {
        8 => (255.0 * scale + zero) as f32,
        bits @ (16 | 32 | 64) => (2f64.powi(bits as i32 - 1) * scale - scale + zero) as f32,
        _ => {
            let Samples::F32(values) = samples else {
                return 65535.0;
            };
            let most = values
                .iter()
                .copied()
                .filter(|v| v.is_finite())
                .fold(0.0f32, f32::max);
            // Two customs for floats: 0 to 1, and the counts of a sixteen-bit converter.
            if most <= 1.5 { 1.0 } else { 65535.0 }
        }
    }
}

fn rows(options: &DecodeOptions, cards: &Cards) -> FitsRows {
    let said = cards.text(&["ROWORDER"]).map(|t| t.to_ascii_uppercase());
    let keyword = match said.as_deref() {
        Some("TOP-DOWN") => Some(FitsRows::TopDown),
        Some("BOTTOM-UP") => Some(FitsRows::BottomUp),
        _ => None,
    };
    options.fits_rows.or(keyword).unwrap_or(FitsRows::BottomUp)
}

/// Header cards by name, those of the picture before those of the primary header.
struct Cards<'a>(Vec<(&'a str, &'a Value)>);

impl<'a> Cards<'a> {
    fn new(picture: &'a Picture) -> Self {
        let all = picture.hdu.cards.iter().chain(&picture.primary);
        Self(
            all.filter_map(|c| Some((c.keyword_str(), c.value.as_ref()?)))
                .collect(),
        )
    }

    fn find<T>(&self, names: &[&str], take: impl Fn(&Value) -> Option<T>) -> Option<T> {
        names
            .iter()
            .find_map(|n| self.0.iter().filter(|(k, _)| k == n).find_map(|(_, v)| take(v)))
    }

    /// A number, also where a program wrote it as text (`'120.0'`, `'0.019 mm'`).
    fn number(&self, names: &[&str]) -> Option<f64> {
        let take = |v: &Value| match v {
            Value::Integer(i) => Some(*i as f64),
            Value::Float(f) => Some(*f),
            Value::String(s) => s.split_whitespace().next()?.parse().ok(),
            _ => None,
        };
        self.find(names, take).filter(|v: &f64| v.is_finite())
    }

    fn positive(&self, names: &[&str]) -> Option<f64> {
        self.number(names).filter(|v| *v > 0.0)
    }

    fn text(&self, names: &[&str]) -> Option<String> {
        self.find(names, |v| if let Value::String(s) = v { tidy(s) } else { None })
    }

    fn cfa(&self) -> Option<Cfa> {
        let pattern = ["BAYERPAT", "COLORTYP", "CFAPATT", "FILTER"]
            .iter()
            .find_map(|n| self.text(&[n]).and_then(|t| pattern(&t)))?;
        let offset = |n: &str| (self.number(&[n]).unwrap_or(0.0) as i64).rem_euclid(2) as usize;
        let (dx, dy) = (offset("XBAYROFF"), offset("YBAYROFF"));
        Some(pattern.moved(dx, dy))
    }

    fn black(&self) -> Option<f64> {
        self.number(&["BLKLEVEL", "BLACKLVL"])
            .or_else(|| self.number(&["PEDESTAL"]).map(f64::abs))
    }

    fn white(&self) -> Option<f64> {
        let bits = self.positive(&["BITDEPTH"]).filter(|b| (8.0..=24.0).contains(b));
        self.positive(&["SATURATE", "SATLEVEL"])
            .or_else(|| bits.map(|b| b.exp2() - 1.0))
    }

    /// A camera of unknown matrix, with the balance some programs copy from the raw.
    fn colour(&self) -> CameraColour {
        let balance = match (self.positive(&["REDBAL"]), self.positive(&["BLUEBAL"])) {
            (Some(r), Some(b)) => [r as f32, 1.0, b as f32],
            _ => [1.0; 3],
        };
        CameraColour {
            white_balance: balance,
            to_working: SRGB_TO_WORKING,
        }
    }

    fn meta(&self) -> FrameMeta {
        let latitude = self.number(&["SITELAT", "LAT-OBS", "OBSGEO-B"]);
        let longitude = self.number(&["SITELONG", "LONG-OBS", "OBSGEO-L"]);
        let taken = self
            .text(&["DATE-OBS"])
            .and_then(|t| date(&t, self.text(&["TIME-OBS"]).as_deref()));
        FrameMeta {
            exposure_s: self.positive(&["EXPTIME", "EXPOSURE"]),
            f_number: self.positive(&["FOCRATIO", "FNUMBER"]),
            iso: self.positive(&["ISO", "ISOSPEED"]),
            focal_mm: self.positive(&["FOCALLEN", "FOCAL"]),
            focal_35mm: None,
            focus_m: None,
            pixel_um: self.positive(&["XPIXSZ", "PIXSIZE1"]),
            // The standard makes DATE-OBS universal time (4.0, 9.3).
            taken_offset: taken.as_ref().map(|_| "+00:00".to_string()),
            taken_local: taken,
            make: None,
            model: self.text(&["INSTRUME"]),
            serial: self.text(&["CAMSN"]),
            lens: self.text(&["TELESCOP"]),
            gps_deg: latitude.zip(longitude).and_then(|(a, b)| position(a, b)),
            gps_elevation_m: self.number(&["SITEELEV", "ELEV-OBS", "OBSGEO-H"]),
            orientation: None,
        }
    }
}

fn pattern(text: &str) -> Option<Cfa> {
    match text.to_ascii_uppercase().as_str() {
        "RGGB" => Some(Cfa::RGGB),
        "BGGR" => Some(Cfa::BGGR),
        "GRBG" => Some(Cfa::GRBG),
        "GBRG" => Some(Cfa::GBRG),
        _ => None,
    }
}

/// `2017-05-03T03:12:04.032518`, or a date with the time in a card of its own.
fn date(text: &str, time: Option<&str>) -> Option<String> {
    let whole = if text.contains('T') {
        text.to_string()
    } else {
        format!("{text}T{}", time?)
    };
    let whole = whole.trim_end_matches('Z').to_string();
    whole.parse::<jiff::civil::DateTime>().ok()?;
    Some(whole)
}
