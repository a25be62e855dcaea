//! The sky without a camera: instants, sites, the turning of the Earth, refraction,
//! extinction, the skyline and the embedded star catalogue. Reads no clock and no file.

mod angle;
mod atmosphere;
mod bodies;
pub mod brightness;
pub mod catalogue;
mod instant;
mod site;
mod skyline;

pub use angle::Angle;
pub use atmosphere::{Air, airmass_kasten_young, airmass_pickering, extinction_factor};
pub use bodies::{Body, moon, moon_illuminated_fraction, moon_phase_angle, sun};
pub use catalogue::CatalogueStar;
pub use instant::Instant;
pub use site::Site;
pub use skyline::{Skyline, SkylineError};
