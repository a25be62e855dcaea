//! The camera without pixels: lens projection and distortion, attitude, exposure.

mod exposure;
mod field;
mod lens;
pub mod noise;

pub use exposure::Exposure;
pub use field::FieldError;
pub use lens::{Lens, Projection};

/// The rotation from celestial (ICRS) unit vectors to the camera frame (x right, y down, z forward).
pub type Attitude = nalgebra::Rotation3<f64>;
