//! The terrain's edge as a function of azimuth: the profile, the elevation tiles it is computed
//! from, and the computation.

mod csv;
mod ellipsoid;
mod error;
mod geokeys;
mod geotiff;
mod hgt;
mod horizon;
mod profile;
mod terrain;
mod tile;
mod unknown;
mod utm;
mod voids;
mod walk;

pub use csv::{CsvError, CsvFault, North, read_csv, write_csv};
pub use error::{HorizonError, TileError};
pub use hgt::hgt_corner;
pub use horizon::{Horizon, HorizonSettings, horizon, terrain_altitude};
pub use profile::{Skyline, SkylineError};
pub use terrain::Terrain;
pub use tile::Tile;
pub use unknown::Unknown;
pub use utm::Utm;
