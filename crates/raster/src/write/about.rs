//! What a picture says of itself in its own file, whatever the form.

use serde::{Deserialize, Serialize};

/// The program as files name it.
pub const SOFTWARE: &str = concat!("Nightloom ", env!("CARGO_PKG_VERSION"));

/// A picture made of captured frames only, by the IPTC's own name (NewsCodes, Digital Source Type, “Composite of captured
/// elements”).
pub const COMPOSITE_CAPTURE: &str = "http://cv.iptc.org/newscodes/digitalsourcetype/compositeCapture";

/// What is written beside the pixels as EXIF (CIPA DC-008) and XMP (ISO 16684-1). What is `None` is not written.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct About {
    /// One or more sentences.
    pub description: Option<String>,
    /// Camera maker.
    pub make: Option<String>,
    /// Camera model.
    pub model: Option<String>,
    /// Lens model.
    pub lens: Option<String>,
    /// Focal length, millimetres.
    pub focal_mm: Option<f64>,
    /// Relative aperture.
    pub f_number: Option<f64>,
    /// ISO speed.
    pub iso: Option<f64>,
    /// Total exposure, seconds.
    pub exposure_s: Option<f64>,
    /// Frames that the picture is made of; more than one makes it a composite.
    pub frames: usize,
    /// When it was taken.
    pub taken: Option<TakenAt>,
    /// Who made it.
    pub creator: Option<String>,
    /// Whose it is, in words.
    pub copyright: Option<String>,
    /// Where it was taken.
    pub place: Option<TakenWhere>,
}

/// A moment by the clock of the place, and in UTC where that is known.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct TakenAt {
    /// `2026-09-12T23:40:00`.
    pub local: String,
    /// The clock's offset from UTC, `+02:00`.
    pub offset: Option<String>,
    /// `2026-09-12T21:40:00Z`.
    pub utc: Option<String>,
}

/// A place on the Earth (WGS 84).
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct TakenWhere {
    /// North positive, −90 to 90.
    pub latitude_deg: f64,
    /// East positive, −180 to 180.
    pub longitude_deg: f64,
    /// Above the sea.
    pub elevation_m: f64,
}

impl About {
    /// A description and nothing else.
    pub fn described(words: &str) -> Self {
        let description = (!words.is_empty()).then(|| words.to_owned());
        Self {
            description,
            ..Self::default()
        }
    }
}
