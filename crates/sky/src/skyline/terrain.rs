//! Several tiles as one land.

use super::ellipsoid::Place;
use super::error::TileError;
use super::tile::{HALF_A_CELL, Tile};

/// How far outside its posts a tile answers for a neighbour's border, cells: exactly on them first,
/// then in the half cell that a pixel reaches beyond its centre.
const SLACK: [f64; 2] = [1e-3, HALF_A_CELL];

/// The land round a site: one tile or several, of any mixture of kinds. Where two overlap the finer
/// one counts, and the other where it is void.
#[derive(Clone, Debug)]
pub struct Terrain {
    /// Finest first; the order given among equals.
    tiles: Vec<Tile>,
}

impl Terrain {
    /// Joins tiles: each is continued to its neighbours' posts, so that no gap of a cell is left
    /// between tiles that do not share their edges.
    ///
    /// # Errors
    /// No tile at all.
    pub fn new(mut tiles: Vec<Tile>) -> Result<Self, TileError> {
        if tiles.is_empty() {
            return Err(TileError::None);
        }
        tiles.sort_by(|a, b| a.spacing_m().total_cmp(&b.spacing_m()));
        let borders: Vec<Vec<(usize, f32)>> = (0..tiles.len()).map(|n| border(&tiles, n)).collect();
        for (tile, border) in tiles.iter_mut().zip(&borders) {
            tile.set_border(border);
        }
        Ok(Self { tiles })
    }

    /// The tiles, finest first.
    pub fn tiles(&self) -> &[Tile] {
        &self.tiles
    }

    /// Height in metres above the sea at a latitude and longitude in degrees, bilinear between
    /// posts; `None` outside all tiles and in voids.
    pub fn height_m(&self, lat_deg: f64, lon_deg: f64) -> Option<f64> {
        let place = Place { lat_deg, lon_deg };
        self.tiles.iter().find_map(|tile| {
            let (column, row) = tile.grid(place);
            let reached = tile.reaches(column, row);
            let height = if reached {
                tile.bilinear(column, row)
            } else {
                f64::NAN
            };
            (!height.is_nan()).then_some(height)
        })
    }

    /// Whether a place stands on a tile, if only in a void of it.
    pub fn covers(&self, lat_deg: f64, lon_deg: f64) -> bool {
        let place = Place { lat_deg, lon_deg };
        self.tiles.iter().any(|tile| tile.owns(place))
    }

    /// The finest tile that answers for a place, its border with it.
    pub(super) fn covering(&self, place: Place) -> Option<&Tile> {
        self.tiles.iter().find(|tile| {
            let (column, row) = tile.grid(place);
            tile.reaches(column, row)
        })
    }
}

/// What the others say of the posts round tile `n`.
fn border(tiles: &[Tile], n: usize) -> Vec<(usize, f32)> {
    let others = || tiles.iter().enumerate().filter(|(m, _)| *m != n).map(|(_, t)| t);
    if others().next().is_none() {
        return Vec::new();
    }
    let known = |place: Place| {
        let mut slacks = SLACK.into_iter();
        slacks.find_map(|slack| others().find_map(|tile| tile.lend(place, slack)))
    };
    let posts = tiles[n].border().into_iter();
    posts
        .filter_map(|(at, place)| Some((at, known(place)?)))
        .collect()
}
