//! The sky without a camera: instants, sites, the turning of the Earth, refraction,
//! extinction and the embedded star catalogue. Reads no clock and no file.

mod angle;
mod instant;
mod site;

pub use angle::Angle;
pub use instant::Instant;
pub use site::Site;
