//! What is known of a frame's lens before its stars are looked at.

use std::path::PathBuf;

use nightloom_raster::FrameMeta;
use nightloom_sky::{Instant, Site};

use super::SingleError;

/// Diagonal of the 36 × 24 mm format, millimetres.
const FULL_FRAME_DIAGONAL_MM: f64 = 43.266_615_3;

/// What is known of a frame beside its file.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct FrameTold {
    /// The lens.
    pub lens: LensTold,
    /// Where the camera stood; else the outing about the frame, or the file, may tell.
    pub site: Option<Site>,
    /// The middle of the exposure; else the file may tell.
    pub at: Option<Instant>,
    /// A file of lenses: one that is known there is tried first, and what the frame shows of its lens is kept there.
    pub lenses: Option<PathBuf>,
}

impl From<LensTold> for FrameTold {
    fn from(lens: LensTold) -> Self {
        Self {
            lens,
            ..Self::default()
        }
    }
}

/// What is told of the lens beforehand.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub enum LensTold {
    /// Nothing but what the file says.
    #[default]
    Nothing,
    /// Focal length in millimetres and distance between pixels in micrometres.
    Focal {
        /// Focal length, millimetres.
        focal_mm: f64,
        /// Pixel pitch, micrometres.
        pitch_um: f64,
    },
    /// Field of view along the longer side, degrees.
    Field {
        /// Degrees.
        field_deg: f64,
    },
}

pub(crate) fn check(told: &LensTold) -> Result<(), SingleError> {
    let need = |what, expected, got: f64, fits: bool| {
        if fits {
            Ok(())
        } else {
            Err(SingleError::Told { what, expected, got })
        }
    };
    match *told {
        LensTold::Nothing => Ok(()),
        LensTold::Focal { focal_mm, pitch_um } => {
            let (mm, um) = (
                "a number of millimetres above 0",
                "a number of micrometres above 0",
            );
            need(
                "the focal length",
                mm,
                focal_mm,
                focal_mm.is_finite() && focal_mm > 0.0,
            )?;
            need("the pitch", um, pitch_um, pitch_um.is_finite() && pitch_um > 0.0)
        }
        LensTold::Field { field_deg } => need(
            "the field",
            "a number of degrees above 0 and below 180",
            field_deg,
            field_deg > 0.0 && field_deg < 180.0,
        ),
    }
}

/// Tangent of half the field's diagonal, as told or as the file says.
pub(crate) fn tangent(told: &LensTold, meta: &FrameMeta, [width, height]: [usize; 2]) -> Option<f64> {
    let (width, height) = (width as f64, height as f64);
    let half = 0.5 * width.hypot(height);
    let by_pitch = |mm: f64, um: f64| half * um / (1000.0 * mm);
    let tangent = match *told {
        LensTold::Focal { focal_mm, pitch_um } => Some(by_pitch(focal_mm, pitch_um)),
        LensTold::Field { field_deg } => {
            Some((0.5 * field_deg).to_radians().tan() * half / (0.5 * width.max(height)))
        }
        LensTold::Nothing => meta
            .focal_35mm
            .map(|mm| 0.5 * FULL_FRAME_DIAGONAL_MM / mm)
            .or_else(|| Some(by_pitch(meta.focal_mm?, meta.pixel_um?))),
    };
    tangent.filter(|t| t.is_finite() && *t > 0.0)
}
