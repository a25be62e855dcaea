//! From an axis that is off the pole to what the hands do: errors, knobs, what a star does on the screen, and
//! the old way by drift.
//!
//! # Units
//! Directions are unit vectors of the ground frame (x east, y north, z up). An error is positive where the axis
//! is too high and where it is east of the pole, in both hemispheres; the pole is the one above the horizon.

mod drift;
mod error;
mod knobs;
mod screen;

pub use drift::{Drift, error_by_drifts, north_drift};
pub use error::AxisError;
pub use knobs::{Base, KnobTurns};
pub use screen::{ScreenShift, screen_shift};
