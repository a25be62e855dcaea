//! Exposing and focusing the land under the sky.

mod depth;
mod exposures;
mod focus_chain;
mod focus_plan;

pub use depth::{Airy, Depth, airy, circle_of_confusion_mm, depth, hyperfocal_m};
pub use exposures::{LandExposure, LandExposureSettings, land_exposures};
pub use focus_chain::{FOCUS_STEPS, focus_chain};
pub use focus_plan::{FocusPlan, FocusQuestion, focus_plan};
