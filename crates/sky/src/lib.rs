//! The sky without a camera: instants, sites, the turning of the Earth, refraction,
//! extinction, the skyline and the embedded star catalogue. Reads no clock and no file.

mod angle;
mod atmosphere;
mod bodies;
pub mod brightness;
pub mod catalogue;
mod ephemeris;
mod instant;
pub mod magnetic;
pub mod night;
mod place;
mod pole;
mod pole_hop;
mod site;
pub mod skyline;
pub mod subjects;

pub use angle::Angle;
pub use atmosphere::{Air, airmass_kasten_young, airmass_pickering, extinction_factor};
pub use bodies::{Body, moon, moon_illuminated_fraction, moon_phase_angle, sun};
pub use catalogue::CatalogueStar;
pub use ephemeris::{CometOrbit, DateError, OrbitError, SolarBody};
pub use instant::Instant;
pub use place::{EarthOrientation, Observer, Place, PlaceError, Star, Target, Watch};
pub use pole::{PoleOffset, PoleStar, PoleView, offset_from_pole, pole_star, pole_view};
pub use pole_hop::{HopStar, PoleHop, hop_star, pole_hops};
pub use site::{Site, SiteError, Swapped};
pub use skyline::{Skyline, SkylineError};
