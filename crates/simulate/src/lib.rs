//! A night with known truth, rendered into raw frames.
//!
//! Real catalogue stars and made-up fainter ones, Milky Way, airglow, a town, refraction and extinction,
//! a lens with its faults on a sensor with its noise, a tracker off the pole, a wooded ridge under a low
//! moon. Nothing here detects, matches or blends: this crate makes what the others are tried on.

mod colour;
mod dng;
mod error;
mod events;
mod exposure;
mod glow;
mod land;
mod milky_way;
mod readout;
mod render;
mod role;
mod scenario;
mod sensor;
mod shots;
mod splat;
mod starfield;
mod texture;
mod truth;
mod truth_pictures;

pub use dng::{DngError, DngFrame, write_dng};
pub use error::SimulateError;
pub use events::{PaintedStreak, PaintedStreakKind};
pub use render::render;
pub use role::ShotRole;
pub use scenario::{
    Aim, Counts, Filters, Mishaps, OddExposure, Scenario, Size, TrackerFaults, TruthPictures,
};
pub use truth::{Truth, TruthFrame, TruthMoon, TruthSensor, TruthSky, TruthStar};
