//! Pixels and the files they come from and go to. Knows nothing of the sky.

pub mod atomic;
pub mod colour;
mod demosaic;
mod frame;
pub mod icc;
mod plane;
pub mod resize;
pub mod workfile;
pub mod write;

pub use demosaic::{demosaic, demosaic_balanced};
pub use frame::{CameraColour, Cfa, Frame, FrameMeta, Mosaic, Pixels};
pub use plane::{Plane, Rgb};
pub use resize::{resize_area, resize_area_plane};
pub use workfile::{WorkFile, WorkFileError};
