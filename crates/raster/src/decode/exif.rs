//! EXIF (CIPA DC-008, EXIF 2.31) into [`FrameMeta`].

use crate::FrameMeta;
use crate::frame::FAR_M;
use exif::{Context, Field, In, Reader, Tag, Value};

/// What a TIFF block, a JPEG or a PNG says; empty where there is nothing to read.
pub(crate) fn from_container(data: &[u8]) -> FrameMeta {
    let mut reader = Reader::new();
    reader.continue_on_error(true);
    let read = reader.read_from_container(&mut std::io::Cursor::new(data));
    read.or_else(|e| e.distill_partial_result(|_| {}))
        .map_or_else(|_| FrameMeta::default(), |exif| from_exif(&exif))
}

/// What a bare TIFF block says.
pub(crate) fn from_block(block: Vec<u8>) -> FrameMeta {
    let mut reader = Reader::new();
    reader.continue_on_error(true);
    let read = reader.read_raw(block);
    read.or_else(|e| e.distill_partial_result(|_| {}))
        .map_or_else(|_| FrameMeta::default(), |exif| from_exif(&exif))
}

struct Fields<'a>(&'a exif::Exif);

impl Fields<'_> {
    /// A field by number, in the EXIF directory or (where makers put it) beside the picture.
    fn field(&self, number: u16) -> Option<&Field> {
        let get = |context| self.0.get_field(Tag(context, number), In::PRIMARY);
        get(Context::Exif).or_else(|| get(Context::Tiff))
    }
    fn gps(&self, number: u16) -> Option<&Field> {
        self.0.get_field(Tag(Context::Gps, number), In::PRIMARY)
    }
    fn number(&self, number: u16) -> Option<f64> {
        self.field(number).and_then(|f| first_number(&f.value))
    }
    fn positive(&self, number: u16) -> Option<f64> {
        self.number(number).filter(|v| *v > 0.0)
    }
    fn text(&self, number: u16) -> Option<String> {
        self.field(number).and_then(|f| text(&f.value))
    }
}

fn first_number(value: &Value) -> Option<f64> {
    numbers(value).first().copied()
}

fn numbers(value: &Value) -> Vec<f64> {
    let all: Vec<f64> = match value {
        Value::Rational(v) => v.iter().map(|r| r.to_f64()).collect(),
        Value::SRational(v) => v.iter().map(|r| r.to_f64()).collect(),
        Value::Short(v) => v.iter().map(|v| f64::from(*v)).collect(),
        Value::Long(v) => v.iter().map(|v| f64::from(*v)).collect(),
        Value::Byte(v) => v.iter().map(|v| f64::from(*v)).collect(),
        _ => Vec::new(),
    };
    if all.iter().all(|v| v.is_finite()) {
        all
    } else {
        Vec::new()
    }
}

fn text(value: &Value) -> Option<String> {
    let Value::Ascii(parts) = value else { return None };
    tidy(&String::from_utf8_lossy(parts.first()?))
}

/// Trimmed text without control characters; nothing if nothing (or only dashes) is left.
pub(crate) fn tidy(text: &str) -> Option<String> {
    let text: String = text
        .trim_matches(|c: char| c.is_whitespace() || c == '\0')
        .chars()
        .filter(|c| !c.is_control())
        .collect();
    // Some cameras write dashes for a lens they do not know.
    (!text.chars().all(|c| c == '-')).then_some(text)
}

fn from_exif(exif: &exif::Exif) -> FrameMeta {
    let f = Fields(exif);
    FrameMeta {
        exposure_s: f.positive(33434),
        f_number: f.positive(33437),
        iso: f
            .positive(34867)
            .or_else(|| f.positive(34855))
            .or_else(|| f.positive(34866)),
        focal_mm: f.positive(37386),
        focal_35mm: f.positive(41989),
        pixel_um: pixel_pitch(f.number(41486), f.number(41488)),
        focus_m: f.field(37382).and_then(|f| subject_distance(&f.value)),
        taken_local: f
            .text(36867)
            .or_else(|| f.text(306))
            .and_then(|t| local_time(&t, f.text(37521).as_deref())),
        taken_offset: f.text(36881).or_else(|| f.text(36880)).and_then(|t| offset(&t)),
        make: f.text(271),
        model: f.text(272),
        serial: f.text(42033).or_else(|| f.text(50735)),
        lens: f.text(42036),
        gps_deg: gps(&f),
        gps_elevation_m: gps_elevation(&f),
        orientation: f.number(274).map(|v| v as u8).filter(|o| (1..=8).contains(o)),
    }
}

/// SubjectDistance in metres: a numerator of all ones is infinity, of 0 unknown (EXIF 2.31, 4.6.5).
fn subject_distance(value: &Value) -> Option<f64> {
    let Value::Rational(all) = value else { return None };
    let first = all.first()?;
    match first.num {
        0 => None,
        u32::MAX => Some(FAR_M),
        _ => Some(first.to_f64()).filter(|d| d.is_finite()),
    }
}

/// Pixel pitch from FocalPlaneXResolution and its unit: 2 inch (and the default), 3 centimetre,
/// 4 millimetre, 5 micrometre (EXIF 2.31, 4.6.5; TIFF/EP for 4 and 5). Pitches no camera has
/// (outside 0.5 to 50 µm) mean the field is nonsense, which happens.
fn pixel_pitch(resolution: Option<f64>, unit: Option<f64>) -> Option<f64> {
    let unit_um = match unit.map_or(2, |u| u as u32) {
        3 => 1.0e4,
        4 => 1.0e3,
        5 => 1.0,
        _ => 25_400.0,
    };
    resolution
        .filter(|r| *r > 0.0)
        .map(|r| unit_um / r)
        .filter(|p| (0.5..=50.0).contains(p))
}

/// `2026:08:12 23:14:05` and sub-seconds `25` as `2026-08-12T23:14:05.25`; nothing for the blanks
/// and zeros that cameras without a set clock write.
pub(crate) fn local_time(text: &str, fraction: Option<&str>) -> Option<String> {
    let digits: String = text.chars().filter(char::is_ascii_digit).take(14).collect();
    if digits.len() != 14 {
        return None;
    }
    let part = |from: usize, to: usize| &digits[from..to];
    let whole = format!(
        "{}-{}-{}T{}:{}:{}",
        part(0, 4),
        part(4, 6),
        part(6, 8),
        part(8, 10),
        part(10, 12),
        part(12, 14)
    );
    whole
        .parse::<jiff::civil::DateTime>()
        .ok()
        .filter(|t| t.year() > 0)?;
    let fraction: String = fraction
        .unwrap_or("")
        .trim()
        .chars()
        .take_while(char::is_ascii_digit)
        .take(9)
        .collect();
    Some(if fraction.is_empty() {
        whole
    } else {
        format!("{whole}.{fraction}")
    })
}

/// `+02:00`, or nothing for what is not of that form.
pub(crate) fn offset(text: &str) -> Option<String> {
    let text = text.trim();
    if text == "Z" {
        return Some("+00:00".into());
    }
    let b = text.as_bytes();
    let digit = |i: usize| b.get(i).is_some_and(u8::is_ascii_digit);
    let whole =
        b.len() == 6 && matches!(b[0], b'+' | b'-') && b[3] == b':' && [1, 2, 4, 5].iter().all(|&i| digit(i));
    whole.then(|| text.to_string())
}

fn gps(f: &Fields) -> Option<[f64; 2]> {
    let angle = |value: u16, reference: u16, negative: u8| {
        let parts = numbers(&f.gps(value)?.value);
        let sign = match f.gps(reference).map(|r| &r.value) {
            Some(Value::Ascii(r))
                if r.first()
                    .and_then(|r| r.first())
                    .is_some_and(|c| c.eq_ignore_ascii_case(&negative)) =>
            {
                -1.0
            }
            _ => 1.0,
        };
        sexagesimal(&parts).map(|v| sign * v)
    };
    position(angle(2, 1, b'S')?, angle(4, 3, b'W')?)
}

/// Degrees, minutes, seconds to degrees.
pub(crate) fn sexagesimal(parts: &[f64]) -> Option<f64> {
    (parts.len() == 3).then(|| parts[0] + parts[1] / 60.0 + parts[2] / 3600.0)
}

/// A position, unless it cannot be one or is the exact origin that receivers without a fix write.
pub(crate) fn position(latitude: f64, longitude: f64) -> Option<[f64; 2]> {
    let possible = latitude.abs() <= 90.0 && longitude.abs() <= 180.0 && (latitude, longitude) != (0.0, 0.0);
    possible.then_some([latitude, longitude])
}

fn gps_elevation(f: &Fields) -> Option<f64> {
    let height = first_number(&f.gps(6)?.value)?;
    let below = f
        .gps(5)
        .and_then(|r| first_number(&r.value))
        .is_some_and(|r| r == 1.0);
    Some(if below { -height } else { height })
}

/// The fields of `first`, and of `second` where the first has none.
pub(crate) fn merge(first: FrameMeta, second: FrameMeta) -> FrameMeta {
    FrameMeta {
        exposure_s: first.exposure_s.or(second.exposure_s),
        f_number: first.f_number.or(second.f_number),
        iso: first.iso.or(second.iso),
        focal_mm: first.focal_mm.or(second.focal_mm),
        focal_35mm: first.focal_35mm.or(second.focal_35mm),
        focus_m: first.focus_m.or(second.focus_m),
        pixel_um: first.pixel_um.or(second.pixel_um),
        taken_local: first.taken_local.or(second.taken_local),
        taken_offset: first.taken_offset.or(second.taken_offset),
        make: first.make.or(second.make),
        model: first.model.or(second.model),
        serial: first.serial.or(second.serial),
        lens: first.lens.or(second.lens),
        gps_deg: first.gps_deg.or(second.gps_deg),
        gps_elevation_m: first.gps_elevation_m.or(second.gps_elevation_m),
        orientation: first.orientation.or(second.orientation),
    }
}
