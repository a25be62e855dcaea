//! EXIF (CIPA DC-008-2019, version 2.32) out: directories of a TIFF, as a TIFF has them and as one block for other files.
//!
//! Texts are UTF-8 under the type ASCII, as common practice has it: readers do not know the type that EXIF 3.0 has for it.

use super::about::{About, SOFTWARE};

/// One entry of a directory.
pub(super) struct Entry {
    pub(super) tag: u16,
    pub(super) value: Value,
}

/// The value of an entry, by its type.
pub(super) enum Value {
    Bytes(Vec<u8>),
    Text(String),
    Shorts(Vec<u16>),
    Longs(Vec<u32>),
    Rationals(Vec<[u32; 2]>),
    Undefined(Vec<u8>),
}

/// Where the pixels lie that the entries describe.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum Inside {
    /// A TIFF has size and storage in its own entries.
    Tiff,
    /// Of so many pixels.
    Jpeg([u32; 2]),
    /// Of so many pixels.
    Png([u32; 2]),
}

pub(super) const EXIF_POINTER: u16 = 0x8769;
pub(super) const GPS_POINTER: u16 = 0x8825;
const COMPOSITE: u16 = 2;
/// The colours are as the profile says.
const UNCALIBRATED: u16 = 0xFFFF;

/// What stands beside the picture's own entries.
pub(super) fn main_entries(about: &About) -> Vec<Entry> {
    let text = |tag: u16, text: &Option<String>| words(text).map(|t| entry(tag, Value::Text(t)));
    let mut all: Vec<Entry> = [
        text(0x010E, &about.description),
        text(0x010F, &about.make),
        text(0x0110, &about.model),
    ]
    .into_iter()
    .flatten()
    .collect();
    all.push(entry(0x0131, Value::Text(SOFTWARE.into())));
    all.extend(text(0x013B, &about.creator));
    all.extend(text(0x8298, &about.copyright));
    all
}

/// The EXIF directory; empty where there is nothing to say.
pub(super) fn exif_entries(about: &About, inside: Inside) -> Vec<Entry> {
    let rational =
        |tag: u16, v: Option<f64>| v.and_then(ratio).map(|r| entry(tag, Value::Rationals(vec![r])));
    let mut all: Vec<Entry> = Vec::new();
    all.extend(rational(0x829A, about.exposure_s));
    all.extend(rational(0x829D, about.f_number));
    all.extend(about.iso.filter(|v| *v >= 1.0).map(|iso| {
        // Above what a SHORT holds it is all ones (4.6.5).
        entry(0x8827, Value::Shorts(vec![iso.round().min(65535.0) as u16]))
    }));
    if let Some(taken) = &about.taken {
        all.push(entry(0x9003, Value::Text(exif_time(&taken.local))));
        all.extend(words(&taken.offset).map(|o| entry(0x9011, Value::Text(o))));
    }
    all.extend(rational(0x920A, about.focal_mm));
    all.extend(words(&about.lens).map(|l| entry(0xA434, Value::Text(l))));
    if about.frames > 1 {
        let frames = u16::try_from(about.frames).unwrap_or(u16::MAX);
        all.push(entry(0xA460, Value::Shorts(vec![COMPOSITE])));
        all.push(entry(0xA461, Value::Shorts(vec![frames, frames])));
    }
    if all.is_empty() {
        return all;
    }
    all.push(entry(0x9000, Value::Undefined(b"0232".to_vec())));
    if let Inside::Jpeg([width, height]) | Inside::Png([width, height]) = inside {
        all.push(entry(0xA001, Value::Shorts(vec![UNCALIBRATED])));
        all.push(entry(0xA002, Value::Longs(vec![width])));
        all.push(entry(0xA003, Value::Longs(vec![height])));
    }
    if let Inside::Jpeg(_) = inside {
        // Y, Cb, Cr.
        all.push(entry(0x9101, Value::Undefined(vec![1, 2, 3, 0])));
    }
    all.sort_by_key(|e| e.tag);
    all
}

/// The GPS directory; empty where no place is told.
pub(super) fn gps_entries(about: &About) -> Vec<Entry> {
    let Some(place) = about.place else {
        return Vec::new();
    };
    let side = |v: f64, [plus, minus]: [&str; 2]| Value::Text(if v < 0.0 { minus } else { plus }.into());
    let up = place.elevation_m;
    vec![
        entry(0, Value::Bytes(vec![2, 3, 0, 0])),
        entry(1, side(place.latitude_deg, ["N", "S"])),
        entry(2, Value::Rationals(sexagesimal(place.latitude_deg))),
        entry(3, side(place.longitude_deg, ["E", "W"])),
        entry(4, Value::Rationals(sexagesimal(place.longitude_deg))),
        entry(5, Value::Bytes(vec![u8::from(up < 0.0)])),
        entry(
            6,
            Value::Rationals(vec![[(up.abs() * 100.0).round() as u32, 100]]),
        ),
        entry(18, Value::Text("WGS-84".into())),
    ]
}

/// All of it as one block, as JPEG and PNG carry it: little-endian, directories one after the other.
pub(super) fn block(about: &About, inside: Inside) -> Vec<u8> {
    let mut main = main_entries(about);
    main.push(entry(0x0112, Value::Shorts(vec![1])));
    let (exif, gps) = (exif_entries(about, inside), gps_entries(about));
    let mut out = b"II\x2A\0\x08\0\0\0".to_vec();
    // The pointers' values are not known before; their places are.
    let pointers = [(EXIF_POINTER, &exif), (GPS_POINTER, &gps)];
    for (tag, _) in pointers.iter().filter(|(_, entries)| !entries.is_empty()) {
        main.push(entry(*tag, Value::Longs(vec![0])));
    }
    main.sort_by_key(|e| e.tag);
    let places = directory(&mut out, &main);
    for (tag, entries) in pointers.iter().filter(|(_, entries)| !entries.is_empty()) {
        let at = (out.len() as u32).to_le_bytes();
        if let Some(k) = main.iter().position(|e| e.tag == *tag) {
            out[places[k]..places[k] + 4].copy_from_slice(&at);
        }
        directory(&mut out, entries);
    }
    out
}

/// Appends a directory with its values behind it (TIFF 6.0, section 2); where each entry's value or offset stands.
fn directory(out: &mut Vec<u8>, entries: &[Entry]) -> Vec<usize> {
    let mut behind = out.len() + 2 + 12 * entries.len() + 4;
    let (mut values, mut places) = (Vec::new(), Vec::new());
    out.extend((entries.len() as u16).to_le_bytes());
    for entry in entries {
        let bytes = entry.value.bytes(u16::to_le_bytes, u32::to_le_bytes);
        out.extend(entry.tag.to_le_bytes());
        out.extend(entry.value.kind().to_le_bytes());
        out.extend((entry.value.count(bytes.len()) as u32).to_le_bytes());
        places.push(out.len());
        if bytes.len() <= 4 {
            out.extend(bytes.iter().copied().chain([0; 4]).take(4));
        } else {
            out.extend((behind as u32).to_le_bytes());
            // Values begin on a word.
            let padding = bytes.len() % 2;
            behind += bytes.len() + padding;
            values.extend(bytes);
            values.extend(vec![0; padding]);
        }
    }
    out.extend([0; 4]);
    out.extend(values);
    places
}

impl Value {
    /// TIFF 6.0, section 2: 1 BYTE, 2 ASCII, 3 SHORT, 4 LONG, 5 RATIONAL, 7 UNDEFINED.
    pub(super) fn kind(&self) -> u16 {
        match self {
            Self::Bytes(_) => 1,
            Self::Text(_) => 2,
            Self::Shorts(_) => 3,
            Self::Longs(_) => 4,
            Self::Rationals(_) => 5,
            Self::Undefined(_) => 7,
        }
    }
    fn count(&self, bytes: usize) -> usize {
        match self {
            Self::Bytes(_) | Self::Text(_) | Self::Undefined(_) => bytes,
            Self::Shorts(_) => bytes / 2,
            Self::Longs(_) => bytes / 4,
            Self::Rationals(_) => bytes / 8,
        }
    }
    /// In the order of bytes that is given.
    pub(super) fn bytes(&self, short: fn(u16) -> [u8; 2], long: fn(u32) -> [u8; 4]) -> Vec<u8> {
        match self {
            Self::Bytes(v) | Self::Undefined(v) => v.clone(),
            Self::Text(v) => v.bytes().chain([0]).collect(),
            Self::Shorts(v) => v.iter().flat_map(|v| short(*v)).collect(),
            Self::Longs(v) => v.iter().flat_map(|v| long(*v)).collect(),
            Self::Rationals(v) => v.as_flattened().iter().flat_map(|v| long(*v)).collect(),
        }
    }
}

fn entry(tag: u16, value: Value) -> Entry {
    Entry { tag, value }
}

/// Text that a field can hold: without ends of text inside, and not nothing.
fn words(text: &Option<String>) -> Option<String> {
    let text = text.as_deref()?.replace('\0', " ").trim().to_owned();
    (!text.is_empty()).then_some(text)
}

/// `2026-09-12T23:40:00.5` as `2026:09:12 23:40:00`.
fn exif_time(local: &str) -> String {
    let whole = local.get(..19).unwrap_or(local);
    match whole.split_once('T') {
        Some((date, time)) => format!("{} {time}", date.replace('-', ":")),
        None => whole.to_owned(),
    }
}

/// A positive number as a ratio, to a part in 10⁵ or better.
pub(super) fn ratio(value: f64) -> Option<[u32; 2]> {
    if !value.is_finite() || value <= 0.0 {
        return None;
    }
    // Exposures below a second are told as parts of one.
    if value < 1.0 && (1.0 / value - (1.0 / value).round()).abs() < 1e-3 / value {
        return Some([1, (1.0 / value).round().min(f64::from(u32::MAX)) as u32]);
    }
    let scale = [1.0, 10.0, 100.0, 1000.0, 10_000.0, 100_000.0];
    let fits = |s: &&f64| (value * **s - (value * **s).round()).abs() < 1e-5 * value * **s;
    let scale = *scale.iter().find(fits).unwrap_or(&100_000.0);
    let over = (value * scale).round();
    (over >= 1.0 && over <= f64::from(u32::MAX)).then_some([over as u32, scale as u32])
}

/// Degrees, minutes and seconds to 0.001″.
fn sexagesimal(degrees: f64) -> Vec<[u32; 2]> {
    let thousandths = (degrees.abs() * 3_600_000.0).round() as u64;
    let (minutes, seconds) = (thousandths / 60_000, thousandths % 60_000);
    vec![
        [(minutes / 60) as u32, 1],
        [(minutes % 60) as u32, 1],
        [seconds as u32, 1000],
    ]
}
