//! Trails over the whole frame.

use super::path::{Motion, Reach};
use super::{Shot, Trail, Trailing};
use crate::Camera;

/// Coarse places across and down the frame from which the longest trail is sought.
const COARSE: [usize; 2] = [19, 13];
/// The search ends when its step is this share of the frame.
const FINEST: f64 = 1e-4;

/// Trails at the places a photographer looks at.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct FrameTrails {
    /// At the middle of the picture.
    pub centre: Option<Trail>,
    /// Upper left, upper right, lower left, lower right.
    pub corners: [Option<Trail>; 4],
    /// Middles of the left, right, upper and lower edge.
    pub edges: [Option<Trail>; 4],
    /// The longest anywhere; `None` where some path leaves what the lens can show.
    pub worst: Option<Worst>,
}

/// The longest trail in the frame.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
pub struct Worst {
    /// Length of the path, pixels.
    pub length_px: f64,
    /// Where it begins.
    pub at_px: [f64; 2],
}

/// Trails on a grid over the frame, for a picture of them.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct TrailMap {
    /// Places across.
    pub columns: usize,
    /// Places down.
    pub rows: usize,
    /// Where each trail begins, row after row from the upper left; the outermost are on the edges.
    pub at_px: Vec<[f64; 2]>,
    /// The trail from there, as [`Shot::trail`] gives it.
    pub trails: Vec<Option<Trail>>,
}

impl Shot {
    /// Trails at the middle, the corners, the edges, and the longest of all.
    pub fn frame_trails(&self, subject: Trailing) -> FrameTrails {
        let motion = self.motion();
        let camera = &self.camera;
        let trail = |pixel| motion.trail(camera, pixel, subject);
        let edges = [[0.0, 0.5], [1.0, 0.5], [0.5, 0.0], [0.5, 1.0]];
        FrameTrails {
            centre: trail(camera.lens.centre_px),
            corners: camera.corners().map(trail),
            edges: edges.map(|[x, y]| trail(camera.at(x, y))),
            worst: worst(&motion, camera, subject),
        }
    }

    /// The longest trail in the frame; `None` where some path leaves what the lens can show.
    pub fn worst(&self, subject: Trailing) -> Option<Worst> {
        worst(&self.motion(), &self.camera, subject)
    }

    /// Trails on a grid of at least two by two places.
    pub fn trail_map(&self, columns: usize, rows: usize, subject: Trailing) -> TrailMap {
        let (columns, rows) = (columns.max(2), rows.max(2));
        let motion = self.motion();
        let at_px: Vec<[f64; 2]> = grid(columns, rows).map(|[x, y]| self.camera.at(x, y)).collect();
        let trails = at_px
            .iter()
            .map(|&pixel| motion.trail(&self.camera, pixel, subject))
            .collect();
        TrailMap {
            columns,
            rows,
            at_px,
            trails,
        }
    }

    /// The smallest distance from the celestial equator in the picture, degrees: where the stars of a
    /// fixed camera move fastest.
    pub fn least_declination_deg(&self) -> f64 {
        let back = self.camera_from_ground().inverse();
        let pole = self.scene.north_pole();
        let declination = |[x, y]: [f64; 2]| {
            let seen = self.camera.lens.unproject(self.camera.at(x, y))?;
            let ground = back * seen.into_inner();
            let true_place = self.air.map_or(ground, |air| air.lower(&ground));
            Some(true_place.dot(&pole).clamp(-1.0, 1.0).asin().to_degrees())
        };
        let seen = || grid(COARSE[0], COARSE[1]).filter_map(declination);
        let (low, high) = (
            seen().fold(f64::INFINITY, f64::min),
            seen().fold(f64::NEG_INFINITY, f64::max),
        );
        // |δ| has no minimum inside but zero, so the extremes of the grid hold it.
        if low <= 0.0 && high >= 0.0 {
            0.0
        } else {
            low.abs().min(high.abs())
        }
    }
}

/// Shares of width and height, row after row, edges included.
pub(super) fn grid(columns: usize, rows: usize) -> impl Iterator<Item = [f64; 2]> {
    let share = |n: usize, of: usize| n as f64 / (of - 1) as f64;
    (0..rows).flat_map(move |y| (0..columns).map(move |x| [share(x, columns), share(y, rows)]))
}

pub(super) fn worst(motion: &Motion, camera: &Camera, subject: Trailing) -> Option<Worst> {
    let reach = |[x, y]: [f64; 2]| motion.length_px(camera, camera.at(x, y), subject);
    let mut best = ([0.5, 0.5], f64::NEG_INFINITY);
    for place in grid(COARSE[0], COARSE[1]) {
        match reach(place) {
            Reach::Leaves => return None,
            other if other.px() > best.1 => best = (place, other.px()),
            _ => {}
        }
    }
    let step = [1.0 / (COARSE[0] - 1) as f64, 1.0 / (COARSE[1] - 1) as f64];
    let (place, px) = climb(best, step, |place| reach(place).px());
    px.is_finite().then(|| Worst {
        length_px: px,
        at_px: camera.at(place[0], place[1]),
    })
}

/// From the best place of the grid to the best nearby: steps to the eight neighbours, halved where
/// none is better.
fn climb(from: ([f64; 2], f64), mut step: [f64; 2], value: impl Fn([f64; 2]) -> f64) -> ([f64; 2], f64) {
    let mut best = from;
    while step[0].max(step[1]) > FINEST {
        let around = (0..9).map(|n| [f64::from(n % 3 - 1), f64::from(n / 3 - 1)]);
        let next = around
            .map(|[x, y]| {
                [
                    (best.0[0] + x * step[0]).clamp(0.0, 1.0),
                    (best.0[1] + y * step[1]).clamp(0.0, 1.0),
                ]
            })
            .map(|place| (place, value(place)))
            .fold(best, |a, b| if b.1 > a.1 { b } else { a });
        if next.0 == best.0 {
            step = step.map(|s| s / 2.0);
        }
        best = next;
    }
    best
}
