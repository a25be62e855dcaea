//! A panorama frame by frame: where the head is turned, in which order, and how far the sky moves meanwhile.

use nalgebra::Vector3;
use nightloom_sky::Angle;
use serde::Serialize;

use super::hold::{Search, ToHold};
use super::{Framing, direction};

/// The sky turns once in a sidereal day (IERS Conventions 2010, table 1.1: 7.292115e-5 rad/s), degrees a minute.
const SKY_DEG_PER_MIN: f64 = 7.292_115e-5 * 180.0 / std::f64::consts::PI * 60.0;
/// Columns and rows that are tried at most.
const MOST: [usize; 2] = [12, 4];

/// How a panorama is taken.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct PanoramaPace {
    /// Frames at each stand of the head.
    pub frames_each: u32,
    /// Exposure of each, seconds.
    pub exposure_s: f64,
    /// Pause between two at one stand, seconds.
    pub gap_s: f64,
    /// Turning the head to the next, with settling, seconds.
    pub turn_s: f64,
}

impl PanoramaPace {
    /// From the first beginning to the last end at one stand, seconds.
    pub fn stand_s(&self) -> f64 {
        let frames = f64::from(self.frames_each.max(1));
        frames * self.exposure_s + (frames - 1.0) * self.gap_s
    }
}

/// One stand of the head.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PanoramaFrame {
    /// Its place in the order, from 1.
    pub number: usize,
    /// From the left, from 1.
    pub column: usize,
    /// From below, from 1.
    pub row: usize,
    /// Azimuth of its middle from true north, degrees.
    pub azimuth_deg: f64,
    /// Altitude of its middle, degrees.
    pub altitude_deg: f64,
    /// What the head's pan scale shows if it shows 0 at the first, degrees, more to the right; 0 to 360.
    pub pan_deg: f64,
    /// When it begins, seconds after the first.
    pub after_s: f64,
}

/// A whole panorama.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Panorama {
    /// Frames across.
    pub columns: usize,
    /// Rows up.
    pub rows: usize,
    /// What a frame has in common with its neighbour, per cent.
    pub overlap_percent: f64,
    /// Camera upright.
    pub portrait: bool,
    /// One frame as it is held: width and height, degrees.
    pub field_deg: [f64; 2],
    /// In the order in which they are taken.
    pub frames: Vec<PanoramaFrame>,
    /// From the first beginning to the last end, seconds.
    pub takes_s: f64,
    /// How fast the sky moves at the panorama's middle, degrees of sky a minute.
    pub sky_deg_per_min: f64,
    /// How far it moves there from the first beginning to the last end, degrees.
    pub sky_moves_deg: f64,
    /// The farthest that it moves between two neighbouring frames, degrees.
    pub neighbours_deg: f64,
    /// The order, the sky and the tracker in sentences.
    pub words: Vec<String>,
}

impl Panorama {
    /// Each stand of the head in words, in their order: `frame 2 of 6: pan 35°, altitude 12°`.
    pub fn stands(&self) -> Vec<String> {
        let of = self.frames.len();
        let words = |f: &PanoramaFrame| {
            format!(
                "frame {} of {of}: pan {:.0}°, altitude {:.0}°",
                f.number, f.pan_deg, f.altitude_deg
            )
        };
        self.frames.iter().map(words).collect()
    }
}

/// The fewest frames of a lens that hold all of it, columns before rows; none where 12 × 4 do not.
pub fn covering(framing: Framing, wanted: &ToHold<'_>) -> Option<[usize; 2]> {
    let search = Search::new(wanted);
    let mut all: Vec<[usize; 2]> = (1..=MOST[0])
        .flat_map(|c| (1..=MOST[1]).map(move |r| [c, r]))
        .collect();
    all.sort_by_key(|[c, r]| (c * r, *r));
    all.into_iter().find(|frames| {
        search.fits(Framing {
            frames: *frames,
            ..framing
        })
    })
}

/// The panorama frame by frame, over a place at this latitude.
///
/// The columns follow each other the way the sky moves at the middle of the picture, so that a frame finds at its edge
/// the stars that its neighbour had, and the overlap grows rather than opens; in each column the head goes up, in the next
/// down, so that it turns least.
pub fn panorama(framing: &Framing, pace: &PanoramaPace, latitude: Angle) -> Panorama {
    let [columns, rows] = framing.frames.map(|n| n.max(1));
    let middle = [framing.azimuth, framing.altitude];
    let [right, up] = drift(middle, latitude);
    let leftwards = right < 0.0;
    let aims = framing.aims();
    let step_s = pace.stand_s() + pace.turn_s;
    let mut frames: Vec<PanoramaFrame> = Vec::with_capacity(columns * rows);
    for nth in 0..columns {
        let column = if leftwards { columns - 1 - nth } else { nth };
        for k in 0..rows {
            let row = if nth % 2 == 0 { k } else { rows - 1 - k };
            let [azimuth, altitude] = aims[row * columns + column];
            let number = frames.len() + 1;
            let first = frames.first().map_or(azimuth.deg(), |f| f.azimuth_deg);
            frames.push(PanoramaFrame {
                number,
                column: column + 1,
                row: row + 1,
                azimuth_deg: azimuth.deg(),
                altitude_deg: altitude.deg(),
                pan_deg: (azimuth.deg() - first).rem_euclid(360.0),
                after_s: (number - 1) as f64 * step_s,
            });
        }
    }
    let takes_s = frames.len() as f64 * step_s - pace.turn_s;
    let per_min = right.hypot(up);
    let neighbours_deg = neighbours(&frames, latitude);
    let mut made = Panorama {
        columns,
        rows,
        overlap_percent: framing.overlap * 100.0,
        portrait: framing.portrait,
        field_deg: framing.field_deg(),
        frames,
        takes_s,
        sky_deg_per_min: per_min,
        sky_moves_deg: per_min * takes_s / 60.0,
        neighbours_deg,
        words: Vec::new(),
    };
    made.words = words(&made, right, pace);
    made
}

/// How the sky moves at a place of it, degrees a minute: right and up.
fn drift([azimuth, altitude]: [Angle; 2], latitude: Angle) -> [f64; 2] {
    let pole = Vector3::new(0.0, latitude.cos(), latitude.sin());
    let here = direction(azimuth, altitude);
    // It turns from east over south to west where the pole is in the north: against the right hand about it.
    let moves = here.cross(&pole) * SKY_DEG_PER_MIN;
    let right = Vector3::new(azimuth.cos(), -azimuth.sin(), 0.0);
    [moves.dot(&right), moves.dot(&right.cross(&here))]
}

/// The farthest that the sky moves, at either, from the beginning of one frame to that of a neighbour.
fn neighbours(frames: &[PanoramaFrame], latitude: Angle) -> f64 {
    let moved = |a: &PanoramaFrame, b: &PanoramaFrame| {
        let beside = a.row == b.row && a.column.abs_diff(b.column) == 1;
        let above = a.column == b.column && a.row.abs_diff(b.row) == 1;
        if !(beside || above) {
            return 0.0;
        }
        let rate = [a, b].map(|f| {
            let [right, up] = drift([f.azimuth_deg, f.altitude_deg].map(Angle::from_deg), latitude);
            right.hypot(up)
        });
        rate[0].max(rate[1]) * (a.after_s - b.after_s).abs() / 60.0
    };
    let pairs = frames.iter().flat_map(|a| frames.iter().map(move |b| (a, b)));
    pairs.map(|(a, b)| moved(a, b)).fold(0.0, f64::max)
}

fn words(of: &Panorama, right: f64, pace: &PanoramaPace) -> Vec<String> {
    let side = if right < 0.0 {
        "right to left"
    } else {
        "left to right"
    };
    let columns = match (of.columns, of.rows) {
        (1, 1) => "One frame.".to_owned(),
        (1, rows) => format!("{rows} frames from below upwards."),
        (columns, 1) => format!("{columns} frames from {side}, the way the sky moves there."),
        (columns, rows) => format!(
            "{columns} columns from {side}, the way the sky moves there; in each {rows} frames, up and down by turns."
        ),
    };
    let [wide, tall] = of.field_deg;
    let common = of.overlap_percent / 100.0 * wide.min(tall);
    let mut all = vec![
        columns,
        format!(
            "It takes {:.0} min; the sky moves {:.1}° meanwhile, and at most {:.1}° from a frame to its neighbour, where they have {common:.1}° in common.",
            (of.takes_s / 60.0).ceil(),
            of.sky_moves_deg,
            of.neighbours_deg
        ),
    ];
    if of.neighbours_deg > common / 2.0 {
        all.push(format!(
            "That is more than half of what they have in common: take fewer or shorter frames at each stand ({} × {:.0} s now), more overlap, or a lens with fewer frames.",
            pace.frames_each, pace.exposure_s
        ));
    }
    all
}
