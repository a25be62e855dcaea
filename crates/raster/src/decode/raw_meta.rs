//! What a camera raw says of the exposure: EXIF where it can be reached directly, and what
//! `rawler` knows beyond it (lens names from maker notes, tidy camera names).

use super::exif::{self, local_time, merge, offset, position, sexagesimal, tidy};
use crate::FrameMeta;
use rawler::decoders::{Decoder, RawDecodeParams};
use rawler::formats::tiff::Rational;
use rawler::rawsource::RawSource;

/// Everything known of a raw, with or without its decoder's help.
pub(crate) fn read(source: &RawSource, decoder: Option<&dyn Decoder>) -> FrameMeta {
    let plain = plain(source.buf());
    let known = decoder.and_then(|d| {
        // A decoder may panic over maker notes; plain EXIF is still worth having then.
        let ask = std::panic::AssertUnwindSafe(|| d.raw_metadata(source, &RawDecodeParams::default()));
        std::panic::catch_unwind(ask).ok()?.ok()
    });
    match known {
        Some(known) => {
            let names = FrameMeta {
                make: tidy(&known.make),
                model: tidy(&known.model),
                ..FrameMeta::default()
            };
            merge(names, merge(plain, from_rawler(&known.exif)))
        }
        None => plain,
    }
}

/// EXIF without a raw decoder: the file as TIFF, or the blocks inside CR3 and RAF.
fn plain(data: &[u8]) -> FrameMeta {
    if data.get(4..12) == Some(b"ftypcrx ") {
        return canon_boxes(data);
    }
    if data.starts_with(b"FUJIFILM") {
        return fuji_jpeg(data).map_or_else(FrameMeta::default, exif::from_container);
    }
    let sparse = tiff_block(edges(data));
    if sparse.exposure_s.is_some() {
        sparse
    } else {
        tiff_block(data.to_vec())
    }
}

/// The directories of a large file stand at its start or its end: a copy of the file with the
/// middle left blank spares reading all of it.
fn edges(data: &[u8]) -> Vec<u8> {
    const START: usize = 1 << 20;
    const END: usize = 1 << 17;
    let mut copy = vec![0; data.len()];
    let start = data.len().min(START);
    let end = data.len().saturating_sub(END);
    copy[..start].copy_from_slice(&data[..start]);
    copy[end..].copy_from_slice(&data[end..]);
    copy
}

fn tiff_block(mut block: Vec<u8>) -> FrameMeta {
    // Olympus and Panasonic changed the magic of what is otherwise a TIFF.
    if let Some(magic) = block.get_mut(2..4) {
        match &*magic {
            b"RO" | b"RS" | b"U\0" => magic.copy_from_slice(b"*\0"),
            b"OR" => magic.copy_from_slice(b"\0*"),
            _ => {}
        }
    }
    exif::from_block(block)
}

/// CR3 keeps its directories in boxes named CMT1 (picture), CMT2 (EXIF), CMT4 (GPS), near the
/// start. GPS tags are numbered anew there, so that block is left to the decoder.
fn canon_boxes(data: &[u8]) -> FrameMeta {
    let head = &data[..data.len().min(1 << 20)];
    let block = |kind: &[u8; 4]| {
        let at = head.windows(4).position(|w| w == kind)?;
        let size = u32::from_be_bytes(head.get(at.checked_sub(4)?..at)?.try_into().ok()?) as usize;
        Some(head.get(at + 4..at.checked_add(size.checked_sub(4)?)?)?.to_vec())
    };
    let read = |kind| block(kind).map_or_else(FrameMeta::default, exif::from_block);
    merge(read(b"CMT2"), read(b"CMT1"))
}

/// RAF: offset and length of the embedded JPEG stand at bytes 84 and 88, big-endian.
fn fuji_jpeg(data: &[u8]) -> Option<&[u8]> {
    let word = |at: usize| Some(u32::from_be_bytes(data.get(at..at + 4)?.try_into().ok()?) as usize);
    let start = word(84)?;
    data.get(start..start.checked_add(word(88)?)?.min(data.len()))
}

fn ratio(r: &Rational) -> Option<f64> {
    (r.d != 0).then(|| f64::from(r.n) / f64::from(r.d))
}

fn from_rawler(e: &rawler::exif::Exif) -> FrameMeta {
    let number = |r: &Option<Rational>| r.as_ref().and_then(ratio).filter(|v| *v > 0.0);
    let text = |t: &Option<String>| t.as_deref().and_then(tidy);
    let iso = e
        .iso_speed
        .or_else(|| e.iso_speed_ratings.map(u32::from))
        .or(e.recommended_exposure_index);
    FrameMeta {
        exposure_s: number(&e.exposure_time),
        f_number: number(&e.fnumber),
        iso: iso.filter(|v| *v > 0).map(f64::from),
        focal_mm: number(&e.focal_length),
        taken_local: text(&e.date_time_original)
            .or_else(|| text(&e.create_date))
            .and_then(|t| local_time(&t, e.sub_sec_time_original.as_deref())),
        taken_offset: text(&e.offset_time_original)
            .or_else(|| text(&e.offset_time))
            .and_then(|t| offset(&t)),
        serial: text(&e.serial_number),
        lens: text(&e.lens_model),
        gps_deg: e.gps.as_ref().and_then(gps),
        gps_elevation_m: e.gps.as_ref().and_then(|g| {
            let height = ratio(g.gps_altitude.as_ref()?)?;
            Some(if g.gps_altitude_ref == Some(1) {
                -height
            } else {
                height
            })
        }),
        orientation: e.orientation.map(|o| o as u8).filter(|o| (1..=8).contains(o)),
        ..FrameMeta::default()
    }
}

fn gps(g: &rawler::exif::ExifGPS) -> Option<[f64; 2]> {
    let angle = |parts: &Option<[Rational; 3]>, reference: &Option<String>, negative: &str| {
        let parts: Option<Vec<f64>> = parts.as_ref()?.iter().map(ratio).collect();
        let value = sexagesimal(&parts?)?;
        let turned = reference
            .as_deref()
            .is_some_and(|r| r.trim().eq_ignore_ascii_case(negative));
        Some(if turned { -value } else { value })
    };
    position(
        angle(&g.gps_latitude, &g.gps_latitude_ref, "S")?,
        angle(&g.gps_longitude, &g.gps_longitude_ref, "W")?,
    )
}
