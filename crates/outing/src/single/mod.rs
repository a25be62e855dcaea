//! One frame by itself: its stars, and where in the sky it looks.

mod identify;
mod stars;
mod told;

use std::path::{Path, PathBuf};

use nightloom_raster::{DecodeError, DecodeOptions, FrameMeta, Plane};
use nightloom_sky::Instant;

pub(crate) use identify::{Identified, identified};
pub use identify::{IdentifyReport, SkyPlace, identify_frame};
pub use stars::{StarReport, StarsReport, StreakKind, StreakReport, frame_stars, frame_stars_in_green};
pub use told::LensTold;
pub(crate) use {identify::search, told::check, told::tangent};

use crate::World;
use crate::build::luminance;

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

/// A frame's brightness at full size, and what its file says.
pub(crate) fn brightness(path: &Path, world: &dyn World) -> Result<(Plane, FrameMeta), SingleError> {
    let frame = world
        .decode(path, &DecodeOptions::default())
        .map_err(|source| SingleError::Unreadable {
            path: path.into(),
            source,
        })?;
    Ok((luminance(&frame.pixels), frame.meta))
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
