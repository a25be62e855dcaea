//! Sectors in which terrain is missing.

use crate::Angle;

/// A sector in which terrain is missing that could matter.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Unknown {
    /// Its first azimuth.
    pub from: Angle,
    /// Its last azimuth, clockwise from the first; below it where the sector goes through north.
    pub to: Angle,
    /// Where it begins at the nearest, metres from the camera.
    pub nearest_m: f64,
    /// The height above the sea that the lowest hidden land must have to be seen, metres.
    pub needed_m: f64,
    /// Whether it is a void in a tile, not the end of the tiles.
    pub void: bool,
}

/// What one azimuth shows.
#[derive(Clone, Copy, Debug)]
pub(super) struct Edge {
    /// Tangent of the apparent altitude.
    pub(super) slope: f64,
    /// Infinite at sea.
    pub(super) distance_m: f64,
    /// Where heights are first unknown, the height needed there to be seen, and whether in a void.
    pub(super) unknown: Option<(f64, f64, bool)>,
}

/// Joins neighbouring azimuths with missing terrain into sectors, round through north.
pub(super) fn sectors(edges: &[Edge], step_deg: f64) -> Vec<Unknown> {
    let mut sectors: Vec<Unknown> = Vec::new();
    let mut before = None;
    for (n, edge) in edges.iter().enumerate() {
        let here = Angle::from_deg(n as f64 * step_deg);
        if let Some((nearest_m, needed_m, void)) = edge.unknown {
            match sectors.last_mut() {
                Some(last) if before == Some(void) => *last = joined(last, here, nearest_m, needed_m),
                _ => sectors.push(Unknown {
                    from: here,
                    to: here,
                    nearest_m,
                    needed_m,
                    void,
                }),
            }
        }
        before = edge.unknown.map(|u| u.2);
    }
    through_north(sectors, edges)
}

fn joined(last: &Unknown, to: Angle, nearest_m: f64, needed_m: f64) -> Unknown {
    Unknown {
        to,
        nearest_m: last.nearest_m.min(nearest_m),
        needed_m: last.needed_m.min(needed_m),
        ..*last
    }
}

/// The last sector and the first are one where both touch north, unless they are the same.
fn through_north(mut sectors: Vec<Unknown>, edges: &[Edge]) -> Vec<Unknown> {
    let kind = |edge: Option<&Edge>| edge.and_then(|e| e.unknown).map(|u| u.2);
    let (first, last) = (kind(edges.first()), kind(edges.last()));
    if first.is_some() && first == last && sectors.len() > 1 {
        let end = sectors.remove(0);
        if let Some(start) = sectors.last_mut() {
            *start = joined(start, end.to, end.nearest_m, end.needed_m);
        }
    }
    sectors
}
