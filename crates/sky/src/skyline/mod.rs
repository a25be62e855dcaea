//! The terrain's edge as a function of azimuth.

mod profile;

pub use profile::{Skyline, SkylineError};
