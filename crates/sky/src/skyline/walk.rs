//! One leg of a ray over the tiles' grids.

use super::ellipsoid::Place;
use super::terrain::Terrain;
use super::tile::Tile;

/// Between grid lines terrain is looked at in steps of this part of the distance: bilinear land
/// curves within a cell, and near the camera that shows.
const STEP: f64 = 1.0 / 300.0;
/// The smallest such step, metres.
const LEAST_STEP_M: f64 = 0.25;
/// How finely the end of an unknown stretch is looked for, metres.
const GROPE_M: f64 = 30.0;

/// A stretch of a ray that is straight on the map.
#[derive(Clone, Copy, Debug)]
pub(super) struct Leg {
    start: Place,
    end: Place,
    /// Distances from the camera, metres.
    pub(super) start_m: f64,
    pub(super) end_m: f64,
}

impl Leg {
    /// The empty leg at the camera.
    pub(super) fn first(place: Place) -> Self {
        Self {
            start: place,
            end: place,
            start_m: 0.0,
            end_m: 0.0,
        }
    }

    pub(super) fn next(&self, end: Place, end_m: f64) -> Self {
        Self {
            start: self.end,
            end,
            start_m: self.end_m,
            end_m,
        }
    }

    fn length_m(&self) -> f64 {
        self.end_m - self.start_m
    }

    fn distance_m(&self, part: f64) -> f64 {
        self.start_m + self.length_m() * part
    }
}

/// What is met on the way.
pub(super) enum GroundSample {
    /// Land of known height.
    Land { height_m: f64, at_m: f64 },
    /// A stretch without heights.
    Unknown { from_m: f64, to_m: f64 },
}

/// Goes along a leg, tile by tile.
pub(super) fn walk(terrain: &Terrain, leg: &Leg, mut meet: impl FnMut(GroundSample)) {
    // A hair's breadth past an edge, to be in the next tile.
    let hair = (0.001 / leg.length_m()).min(1.0);
    let mut part = 0.0;
    while part < 1.0 {
        let place = leg.start.towards(leg.end, part);
        part = match terrain.covering(place) {
            Some(tile) => cross(terrain, tile, leg, part, &mut meet) + hair,
            None => {
                let to = (part + GROPE_M / leg.length_m()).min(1.0);
                let (from_m, to_m) = (leg.distance_m(part), leg.distance_m(to));
                meet(GroundSample::Unknown { from_m, to_m });
                to
            }
        };
    }
}

/// Goes over one tile's grid from a part of the leg on; returns where it leaves the tile or the leg ends.
fn cross(terrain: &Terrain, tile: &Tile, leg: &Leg, from: f64, meet: &mut impl FnMut(GroundSample)) -> f64 {
    let (start, end) = (tile.grid(leg.start), tile.grid(leg.end));
    let (columns, rows) = tile.reach();
    let column = Axis::new(start.0, end.0, columns);
    let row = Axis::new(start.1, end.1, rows);
    let to = column.leaves(from).min(row.leaves(from)).min(1.0);
    let (mut next_column, mut next_row) = (column.crossing_after(from), row.crossing_after(from));
    let mut ground = Ground {
        terrain,
        tile,
        leg,
        column,
        row,
        at: from,
    };
    ground.look(from, meet);
    while ground.at < to {
        let next = next_column.min(next_row).min(to);
        ground.advance(next, meet);
        if next >= next_column {
            next_column += column.between_crossings();
        }
        if next >= next_row {
            next_row += row.between_crossings();
        }
    }
    to
}

/// A grid coordinate along a leg.
#[derive(Clone, Copy)]
struct Axis {
    start: f64,
    change: f64,
    least: f64,
    most: f64,
}

impl Axis {
    fn new(start: f64, end: f64, reach: std::ops::RangeInclusive<f64>) -> Self {
        Self {
            start,
            change: end - start,
            least: *reach.start(),
            most: *reach.end(),
        }
    }

    fn at(&self, part: f64) -> f64 {
        (self.start + self.change * part).clamp(self.least, self.most)
    }

    /// Where on the leg the coordinate leaves the tile; not before `from`.
    fn leaves(&self, from: f64) -> f64 {
        let limit = if self.change > 0.0 { self.most } else { self.least };
        let part = (limit - self.start) / self.change;
        if self.change == 0.0 {
            f64::INFINITY
        } else {
            part.max(from)
        }
    }

    /// The first grid line after `from`.
    fn crossing_after(&self, from: f64) -> f64 {
        if self.change == 0.0 {
            return f64::INFINITY;
        }
        let here = self.start + self.change * from;
        let line = if self.change > 0.0 {
            here.floor() + 1.0
        } else {
            here.ceil() - 1.0
        };
        (line - self.start) / self.change
    }

    fn between_crossings(&self) -> f64 {
        1.0 / self.change.abs()
    }
}

struct Ground<'a> {
    terrain: &'a Terrain,
    tile: &'a Tile,
    leg: &'a Leg,
    column: Axis,
    row: Axis,
    at: f64,
}

impl Ground<'_> {
    /// Goes to a part of the leg in steps that suit the distance.
    fn advance(&mut self, to: f64, meet: &mut impl FnMut(GroundSample)) {
        let (from_m, to_m) = (self.leg.distance_m(self.at), self.leg.distance_m(to));
        let from = self.at;
        let steps = ((to_m - from_m) / (from_m * STEP).max(LEAST_STEP_M))
            .ceil()
            .max(1.0);
        let mut n = 1.0;
        while n < steps {
            self.look(from + (to - from) * (n / steps), meet);
            n += 1.0;
        }
        self.look(to, meet);
    }

    fn look(&mut self, part: f64, meet: &mut impl FnMut(GroundSample)) {
        let before_m = self.leg.distance_m(self.at);
        let at_m = self.leg.distance_m(part);
        let mut height_m = self.tile.bilinear(self.column.at(part), self.row.at(part));
        if height_m.is_nan() {
            // A coarser tile may know.
            let place = self.leg.start.towards(self.leg.end, part);
            height_m = self
                .terrain
                .height_m(place.lat_deg, place.lon_deg)
                .unwrap_or(f64::NAN);
        }
        meet(if height_m.is_nan() {
            GroundSample::Unknown {
                from_m: before_m,
                to_m: at_m,
            }
        } else {
            GroundSample::Land { height_m, at_m }
        });
        self.at = part;
    }
}
