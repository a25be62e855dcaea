//! Sectors in which terrain is missing.

use super::horizon::{Edge, Unknown};
use crate::Angle;

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
