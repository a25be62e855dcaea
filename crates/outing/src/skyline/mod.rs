//! The skyline on disk: elevation tiles in, `skyline.csv` beside the outing out and in again.

mod error;
mod store;
mod tiles;

pub use error::SkylineFileError;
pub use store::{SKYLINE_CSV, StoreOptions, measured_skyline, outing_skyline, store_skyline};
pub use tiles::{TileReport, Tiles, read_tiles};
