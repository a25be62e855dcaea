//! One frame by itself: its stars, and where in the sky it looks.

mod identify;
mod lenses;
mod light;
mod oddity;
mod picture;
mod stance;
mod stars;
mod told;

use std::path::{Path, PathBuf};

use identify::look;
use nightloom_raster::{DecodeError, Frame, FrameMeta, Pixels, Plane};
use nightloom_sky::Instant;
use nightloom_stars::{DetectSettings, Field, measure};

pub(crate) use identify::{Identified, Sought, identified, seek};
pub use identify::{IdentifyReport, ResidualMap, SkyPlace, identify_frame};
pub(crate) use lenses::Lenses;
pub use lenses::LensesError;
pub use light::{FalloffReport, FrameLight, frame_light};
pub use picture::{FramePicture, SkyTones, frame_picture};
pub use stars::{StarReport, StarsReport, StreakKind, StreakReport, frame_stars, frame_stars_in_green};
pub use told::{FrameTold, LensTold};
pub(crate) use {light::light_of, stance::Stance, stance::stance, told::check, told::tangent};

use nightloom_outing::World;

/// Why a frame could not be looked at.
#[derive(Debug, thiserror::Error)]
pub enum SingleError {
    /// The file cannot be read.
    #[error("{path}: {source}")]
    Unreadable {
        /// The file.
        path: PathBuf,
        /// Its trouble.
        source: DecodeError,
    },
    /// A place that cannot be.
    #[error(transparent)]
    Place(#[from] nightloom_sky::SiteError),
    /// The file of lenses.
    #[error(transparent)]
    Lenses(#[from] LensesError),
    /// A number told of the lens cannot be.
    #[error("{what} must be {expected}, not {got}")]
    Told {
        /// Which.
        what: &'static str,
        /// What it may be.
        expected: &'static str,
        /// What it was.
        got: f64,
    },
}

/// A frame, and its brightness at full size.
pub(crate) fn brightness(path: &Path, world: &dyn World) -> Result<(Plane, Frame), SingleError> {
    let frame = decoded(path, world)?;
    Ok((frame.pixels.brightness(), frame))
}

/// One frame, read as the outing says that it lies in.
pub(crate) fn decoded(path: &Path, world: &dyn World) -> Result<Frame, SingleError> {
    let options = crate::around::settings_around(path)
        .unwrap_or_default()
        .rig
        .decode_options();
    world
        .decode(path, &options)
        .map_err(|source| SingleError::Unreadable {
            path: path.into(),
            source,
        })
}

/// Measures the stars in a frame's brightness; their places are those in the full picture.
pub(crate) fn measured(plane: &Plane, pixels: &Pixels, settings: &DetectSettings) -> Field {
    let mut field = measure(plane, settings);
    let shift = pixels.brightness_shift_px();
    for star in &mut field.stars {
        star.x += shift;
        star.y += shift;
    }
    for streak in &mut field.streaks {
        for end in [&mut streak.from, &mut streak.to] {
            *end = end.map(|v| v + shift);
        }
    }
    field
}

/// When the frame was taken, as its file says; without a zone, taken for UTC: proper motion needs no hours.
pub(crate) fn taken(meta: &FrameMeta) -> Option<Instant> {
    let local = meta.taken_local.as_deref()?;
    let offset = meta.taken_offset.as_deref().unwrap_or("Z");
    format!("{local}{offset}").parse().ok()
}

/// Focal length in pixels, as told or as the file says.
pub(crate) fn focal_px(told: &LensTold, meta: &FrameMeta, size: [usize; 2]) -> Option<f64> {
    let half = 0.5 * (size[0] as f64).hypot(size[1] as f64);
    told::tangent(told, meta, size).map(|tangent| half / tangent)
}
