//! Pixels and the files they come from and go to. Knows nothing of the sky.

mod frame;
mod plane;

pub use frame::{CameraColour, Cfa, Frame, FrameMeta, Mosaic, Pixels};
pub use plane::{Plane, Rgb};
