//! The camera without pixels: lens projection and distortion, attitude, exposure.

mod exposure;
mod lens;

pub use exposure::Exposure;
pub use lens::{Lens, Projection};

/// The rotation from celestial (ICRS) unit vectors to the camera frame (x right, y down, z forward).
pub type Attitude = nalgebra::Rotation3<f64>;
