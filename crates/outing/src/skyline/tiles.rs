//! Elevation tiles from disk.

use std::fs;
use std::io::{Cursor, Read};
use std::path::{Path, PathBuf};

use nightloom_raster::read_regular;
use nightloom_sky::skyline::{Terrain, Tile, hgt_corner};
use serde::Serialize;

use super::error::SkylineFileError;
use crate::hash::hash_bytes;

/// The largest file that is opened: a GeoTIFF of the most posts that are taken, in eight bytes each.
const MOST_BYTES: u64 = 1 << 30;
/// One degree of latitude, kilometres; the shortest there is.
const DEGREE_KM: f64 = 110.5;

/// What is known of one tile.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct TileReport {
    /// The file.
    pub name: String,
    /// The first digits of its content's hash.
    pub hash: String,
    /// Posts from west to east.
    pub columns: usize,
    /// Posts from north to south.
    pub rows: usize,
    /// Distance between posts from north to south, metres.
    pub spacing_m: f64,
    /// Voids that were filled from the posts around them.
    pub voids_filled: usize,
    /// Voids that are left.
    pub voids_left: usize,
}

/// Terrain, with what it was read from.
#[derive(Clone, Debug)]
pub struct Tiles {
    /// The land.
    pub terrain: Terrain,
    /// The tiles in the order of their names.
    pub reports: Vec<TileReport>,
    /// How many tiles were passed over because their names say that they lie too far away.
    pub too_far: usize,
}

/// Reads elevation tiles: `.hgt`, zipped `.hgt` and GeoTIFF, and all such files of a folder that is
/// named. Tiles whose names say that they lie beyond `range_m` from the place are not opened.
///
/// # Errors
/// A file that cannot be read or is no tile; nothing within the range.
pub fn read_tiles(
    paths: &[PathBuf],
    lat_deg: f64,
    lon_deg: f64,
    range_m: f64,
) -> Result<Tiles, SkylineFileError> {
    let files = files(paths)?;
    let near = |path: &&PathBuf| {
        let corner = hgt_corner(&path.to_string_lossy());
        corner.is_none_or(|c| distance_km(c, lat_deg, lon_deg) * 1000.0 <= range_m)
    };
    let wanted: Vec<&PathBuf> = files.iter().filter(near).collect();
    if wanted.is_empty() && !files.is_empty() {
        return Err(SkylineFileError::TooFar {
            count: files.len(),
            range_km: range_m / 1000.0,
            lat_deg,
            lon_deg,
        });
    }
    let (mut tiles, mut reports) = (Vec::new(), Vec::new());
    for path in &wanted {
        let bytes = bytes(path)?;
        let tile = tile(path, &bytes)?;
        let (voids_filled, voids_left) = tile.voids();
        let (columns, rows) = tile.size();
        reports.push(TileReport {
            name: path.display().to_string(),
            hash: hash_bytes(&bytes).to_string().chars().take(16).collect(),
            columns,
            rows,
            spacing_m: tile.spacing_m(),
            voids_filled,
            voids_left,
        });
        tiles.push(tile);
    }
    Ok(Tiles {
        too_far: files.len() - wanted.len(),
        terrain: Terrain::new(tiles)?,
        reports,
    })
}

/// All files that are meant, in order and once each.
fn files(paths: &[PathBuf]) -> Result<Vec<PathBuf>, SkylineFileError> {
    let mut files = Vec::new();
    for path in paths {
        if !path.is_dir() {
            files.push(path.clone());
            continue;
        }
        let entries = fs::read_dir(path).map_err(|e| unreadable(path, &e))?;
        let before = files.len();
        files.extend(
            entries
                .flatten()
                .map(|e| e.path())
                .filter(|p| Kind::of(p).is_some()),
        );
        if files.len() == before {
            return Err(SkylineFileError::NoTiles { path: path.clone() });
        }
    }
    files.sort();
    files.dedup();
    Ok(files)
}

/// Distance from a place to the nearest point of a tile of one degree, roughly and never too large.
fn distance_km((lat, lon): (i32, i32), lat_deg: f64, lon_deg: f64) -> f64 {
    let beyond = |v: f64, least: f64| (least - v).max(v - (least + 1.0)).max(0.0);
    let north = beyond(lat_deg, f64::from(lat));
    let turn = (lon_deg - f64::from(lon) - 0.5 + 180.0).rem_euclid(360.0) - 180.0;
    let east = (turn.abs() - 0.5).max(0.0);
    let farthest = f64::from(lat)
        .abs()
        .max(f64::from(lat + 1).abs())
        .max(lat_deg.abs());
    DEGREE_KM * north.hypot(east * farthest.to_radians().cos())
}

#[derive(Clone, Copy, PartialEq)]
enum Kind {
    Hgt,
    Zip,
    Tiff,
}

impl Kind {
    fn of(path: &Path) -> Option<Self> {
        let name = path.file_name()?.to_string_lossy().to_lowercase();
        let kinds = [
            (".hgt", Self::Hgt),
            (".zip", Self::Zip),
            (".tif", Self::Tiff),
            (".tiff", Self::Tiff),
        ];
        kinds
            .iter()
            .find(|(end, _)| name.ends_with(end))
            .map(|(_, kind)| *kind)
    }
}

fn bytes(path: &Path) -> Result<Vec<u8>, SkylineFileError> {
    let found = fs::metadata(path).map_err(|e| unreadable(path, &e))?.len();
    if found > MOST_BYTES {
        return Err(SkylineFileError::TooLarge {
            path: path.into(),
            found_mib: found >> 20,
            most_mib: MOST_BYTES >> 20,
        });
    }
    read_regular(path, MOST_BYTES).map_err(|e| unreadable(path, &e))
}

fn unreadable(path: &Path, error: &std::io::Error) -> SkylineFileError {
    SkylineFileError::Unreadable {
        path: path.into(),
        reason: error.to_string(),
    }
}

fn tile(path: &Path, bytes: &[u8]) -> Result<Tile, SkylineFileError> {
    let name = path.display().to_string();
    match Kind::of(path) {
        Some(Kind::Hgt) => Ok(Tile::from_hgt(&name, bytes)?),
        Some(Kind::Tiff) => Ok(Tile::from_geotiff(&name, bytes)?),
        Some(Kind::Zip) => {
            let (inner, bytes) = unzipped(path, bytes)?;
            Ok(Tile::from_hgt(&inner, &bytes)?)
        }
        None => Err(SkylineFileError::Kind { path: path.into() }),
    }
}

/// The one `.hgt` of a zip archive.
fn unzipped(path: &Path, bytes: &[u8]) -> Result<(String, Vec<u8>), SkylineFileError> {
    let failed = |reason: String| SkylineFileError::Zip {
        path: path.into(),
        reason,
    };
    let mut archive = zip::ZipArchive::new(Cursor::new(bytes)).map_err(|e| failed(e.to_string()))?;
    let mut names = (0..archive.len()).filter_map(|n| Some(archive.name_for_index(n)?.ok()?.into_owned()));
    let name = names.find(|n| n.to_lowercase().ends_with(".hgt"));
    drop(names);
    let name = name.ok_or_else(|| failed("it holds no .hgt file".into()))?;
    let file = archive.by_name(&name).map_err(|e| failed(e.to_string()))?;
    let mut inside = Vec::new();
    // What it says of its size is not believed.
    let mut limited = file.take(MOST_BYTES);
    limited
        .read_to_end(&mut inside)
        .map_err(|e| failed(e.to_string()))?;
    Ok((format!("{}/{name}", path.display()), inside))
}
