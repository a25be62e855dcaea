//! What can be wrong with terrain.

/// A file that is no elevation tile, or not one that can be read.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum TileError {
    /// No tile was given.
    #[error("no elevation tile was given; name at least the one that the camera stands on")]
    None,
    /// A name that tells no place.
    #[error(
        "{name}: an .hgt file's name must begin with the latitude and longitude of its south-western corner, as in N46E008.hgt; give it its name back"
    )]
    Name {
        /// The file.
        name: String,
    },
    /// The wrong number of bytes.
    #[error(
        "{name}: an .hgt file has 25 934 402 bytes (one arc-second) or 2 884 802 bytes (three), found {found}; it was cut short or is something else, so get it again"
    )]
    HgtSize {
        /// The file.
        name: String,
        /// Its bytes.
        found: usize,
    },
    /// A zip archive.
    #[error("{name}: this is a zip archive, expected the elevation tile itself; unpack it first")]
    Zipped {
        /// The file.
        name: String,
    },
    /// A TIFF that cannot be decoded.
    #[error(
        "{name}: this cannot be read as a TIFF ({reason}); it may be damaged or cut short, so get it again"
    )]
    Tiff {
        /// The file.
        name: String,
        /// What the decoder said.
        reason: String,
    },
    /// A TIFF that lacks or contradicts what places it.
    #[error(
        "{name}: {what}; expected {expected}, so save it again as a GeoTIFF of one band in WGS 84 or UTM"
    )]
    Placing {
        /// The file.
        name: String,
        /// What was found.
        what: String,
        /// What was expected.
        expected: &'static str,
    },
    /// A picture too small or too large.
    #[error(
        "{name}: this grid has {width} × {height} posts, expected from 2 × 2 to {most} in all; cut out the land within 150 km of the camera"
    )]
    Size {
        /// The file.
        name: String,
        /// Columns.
        width: u32,
        /// Rows.
        height: u32,
        /// The most posts in one file.
        most: usize,
    },
}

/// Why no horizon can be computed.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum HorizonError {
    /// The camera stands on no tile.
    #[error(
        "no elevation tile covers the camera at latitude {lat_deg:.5}°, longitude {lon_deg:.5}°; add the tile that does, or correct the place (latitude comes first, west and south are negative)"
    )]
    Outside {
        /// Latitude, degrees.
        lat_deg: f64,
        /// Longitude, degrees.
        lon_deg: f64,
    },
    /// The camera stands in a void.
    #[error(
        "the elevation tiles know no height at the camera, latitude {lat_deg:.5}°, longitude {lon_deg:.5}°: it stands in a void; give the ground's elevation, or a tile without the void"
    )]
    Void {
        /// Latitude, degrees.
        lat_deg: f64,
        /// Longitude, degrees.
        lon_deg: f64,
    },
    /// A setting out of its range.
    #[error("{what} must be from {least} to {most}, found {found}; correct it")]
    Setting {
        /// Which.
        what: &'static str,
        /// Smallest possible value.
        least: f64,
        /// Largest possible value.
        most: f64,
        /// What was found.
        found: f64,
    },
}
