//! What can go wrong with a skyline's files.

use std::path::PathBuf;

use nightloom_sky::skyline::{CsvError, HorizonError, TileError};

/// Why a skyline cannot be read, made or stored.
#[derive(Debug, thiserror::Error)]
pub enum SkylineFileError {
    /// A file that cannot be read.
    #[error("{} cannot be read ({reason}); check its name and its permissions", path.display())]
    Unreadable {
        /// The file or folder.
        path: PathBuf,
        /// What the system said.
        reason: String,
    },
    /// A file too large to be an elevation tile.
    #[error("{} has {found_mib} MiB, and an elevation tile of at most {most_mib} MiB was expected; cut out the land within 150 km of the camera", path.display())]
    TooLarge {
        /// The file.
        path: PathBuf,
        /// Its size, MiB.
        found_mib: u64,
        /// The most, MiB.
        most_mib: u64,
    },
    /// A folder with no tile in it.
    #[error("no elevation tile was found in {}; expected files that end in .hgt, .hgt.zip, .tif or .tiff", path.display())]
    NoTiles {
        /// The folder.
        path: PathBuf,
    },
    /// A file of another kind.
    #[error("{} is no elevation tile by its name; expected it to end in .hgt, .hgt.zip, .tif or .tiff", path.display())]
    Kind {
        /// The file.
        path: PathBuf,
    },
    /// A zip archive without a tile, or a damaged one.
    #[error("{}: {reason}; unpack it yourself, or get it again", path.display())]
    Zip {
        /// The file.
        path: PathBuf,
        /// What is wrong with it.
        reason: String,
    },
    /// Every tile lies too far off.
    #[error(
        "none of the {count} elevation tiles lies within {range_km:.0} km of latitude {lat_deg:.4}°, longitude {lon_deg:.4}°; name the tile that the camera stands on, or correct the place (latitude comes first, west and south are negative)"
    )]
    TooFar {
        /// How many were named.
        count: usize,
        /// How far was looked, kilometres.
        range_km: f64,
        /// Latitude, degrees.
        lat_deg: f64,
        /// Longitude, degrees.
        lon_deg: f64,
    },
    /// A tile that says something impossible.
    #[error(transparent)]
    Tile(#[from] TileError),
    /// No horizon from this place.
    #[error(transparent)]
    Horizon(#[from] HorizonError),
    /// A CSV with faults.
    #[error("{}:\n{error}", path.display())]
    Csv {
        /// The file.
        path: PathBuf,
        /// Its faults.
        error: CsvError,
    },
    /// A skyline of the photographer's own would be lost.
    #[error("{} exists already and was not computed from tiles, so it may be your own measurement; use --force to replace it (the old one is kept as a copy), or name another file with --out", path.display())]
    Exists {
        /// The file.
        path: PathBuf,
    },
    /// Nothing may be written there.
    #[error("{} cannot be written ({reason}); give yourself permission, free some space, or name another file with --out", path.display())]
    Unwritable {
        /// The file.
        path: PathBuf,
        /// What the system said.
        reason: String,
    },
}
