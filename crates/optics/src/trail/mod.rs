//! How far stars, and the land, move on the sensor while the shutter is open: by rotating
//! directions through the projection, without small-angle formulas.
//!
//! The sky turns about the pole, a tracker turns the camera about its axis, and a star's place in the
//! picture is the projection of one rotation after the other. What is called a trail's *length* is that
//! of its path; its *extent* is the largest distance between two points of the path, which is less where
//! the path turns back on itself.

mod frame;
mod mount;
mod path;
mod periodic;
mod rules;
mod scene;
mod tolerance;

pub use frame::{FrameTrails, TrailMap, Worst};
pub use mount::{Periodic, Rate, Tracker};
pub use path::{Shot, Trail, Trailing};
pub use periodic::{share_kept, share_of_frames_kept, worst_excursion};
pub use rules::{Rules, npf_full_s, npf_simple_s, rules};
pub use scene::{SIDEREAL_ARCSEC_PER_S, Scene, longest_night_s};
pub use tolerance::{AxisAllowance, LONGEST_SEARCHED_S, axis_allowance, longest_exposure_s};

use crate::FieldError;

/// Why trails cannot be worked out.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum TrailError {
    /// A number is out of range.
    #[error(transparent)]
    Field(#[from] FieldError),
    /// The exposure is longer than any night at that latitude.
    #[error(
        "the exposure in seconds must be no longer than the night, for example 120; {seconds} s was given, and at latitude {latitude_deg}° the longest night of the year has {night_s:.0} s"
    )]
    LongerThanNight {
        /// What was given.
        seconds: f64,
        /// Where.
        latitude_deg: f64,
        /// Sunset to sunrise at the winter solstice.
        night_s: f64,
    },
}
