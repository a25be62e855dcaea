//! Whether, and how far, the tripod moved between two fixed frames.
//!
//! Land keeps still between the frames or moves as one piece; the trails of the stars, clouds and
//! branches go each their own way. So what moved is put to the vote of blocks:
//!
//! 1. Both frames are band-passed, each value held within a few times the local spread, so that a
//!    lamp or a trail says no more than a bush ([`bands`]).
//! 2. Shifts are nominated: none at all, and what most blocks agree on in a coarse picture ([`vote`]).
//! 3. From each, the motion is refined by Lucas & Kanade (1981) in every block and a redescending mean
//!    (Tukey's biweight, Beaton & Tukey 1974) over the blocks ([`consensus`]).
//! 4. The motions are compared by the likelihood of each block under each (of a correlation ρ over n
//!    independent values with the contrast free: −n/2 · ln(1 − ρ²)). A block has a bounded say, and
//!    standing still loses only where next to nothing stood still: land that moved leaves nothing behind,
//!    whereas a narrow field of sky can move as one over land that stands.

mod bands;
mod block;
mod consensus;
mod vote;

use nalgebra::Vector2;
use nightloom_raster::Plane;

pub(crate) use bands::pyramid;
pub(crate) use consensus::{Fit, Freedom, settle};

use bands::Level;
use consensus::Motion;

/// Evidence below which nothing is said, in units of the logarithm of the likelihood: about seven
/// blocks that are sure, or the mass of many that are not.
const LEAST_EVIDENCE: f64 = 60.0;
/// So many times as much must speak for a motion as speaks for standing still.
const STILL_FAVOUR: f64 = 3.0;

/// How far the land of one frame lies from that of another.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Shift {
    /// What is at (x, y) in `a` is at (x + dx, y + dy) in `b`, at the frame's centre; pixels.
    pub dx: f64,
    /// See `dx`.
    pub dy: f64,
    /// Turn about the frame's centre, radians, positive from x to y; 0 unless it shows clearly.
    pub turn: f64,
    /// Share of the evidence that speaks for this shift and no other, 0 to 1; below about 0.5 the shift
    /// should not be used.
    pub confidence: f64,
    /// Standard error of either component from the scatter between blocks, pixels.
    pub sigma_px: f64,
}

impl Shift {
    /// The same in pictures so many times larger.
    #[must_use]
    pub fn scaled(self, scale: f64) -> Self {
        Self {
            dx: scale * self.dx,
            dy: scale * self.dy,
            sigma_px: scale * self.sigma_px,
            ..self
        }
    }

    /// Where in `b` lies what is at `point` in `a`; `size` is the frames' width and height. Pixel
    /// (0, 0) is the centre of the first pixel.
    pub fn moved(&self, [x, y]: [f64; 2], size: [usize; 2]) -> [f64; 2] {
        let centre = size.map(|n| (n as f64 - 1.0) / 2.0);
        let (u, v) = (x - centre[0], y - centre[1]);
        let (s, c) = self.turn.sin_cos();
        [
            centre[0] + c * u - s * v + self.dx,
            centre[1] + s * u + c * v + self.dy,
        ]
    }
}

/// Sub-pixel shift (and, where it shows, small turn) of static land between two frames of one size on
/// about one scale; their noise may differ. `land` says which pixels of `a` are thought to be land: it
/// weighs the blocks. Shifts of up to a quarter of the picture are looked for.
///
/// Measured on painted nights of 1200 × 800 pixels: standing still to 0.01 px and bumps to 0.03 px at 14
/// and 24 mm where the mask is about right. With a mask that takes sky for land bumps of many pixels are
/// often not found, and at 85 mm the sky can drag a still tripod by 0.3 px, with a standard error a tenth
/// of that.
///
/// `None` when the sizes differ, nothing is thought to be land, or nothing in the pictures tells.
pub fn tripod_shift(a: &Plane, b: &Plane, land: &(dyn Fn(usize, usize) -> bool + Sync)) -> Option<Shift> {
    if (a.width(), a.height()) != (b.width(), b.height()) {
        return None;
    }
    let (width, height) = (a.width(), a.height());
    if !(0..height)
        .step_by(4)
        .any(|y| (0..width).step_by(4).any(|x| land(x, y)))
    {
        return None;
    }
    let levels = pyramid(a, b, land);
    let finest = levels.first()?;
    let mut motions: Vec<Motion> = Vec::new();
    for start in vote::nominate(&levels) {
        if let Some(motion) = consensus::refine(finest, start) {
            let known = motions
                .iter()
                .any(|m| (m.shift() - motion.shift()).norm() < consensus::REACH_PX);
            // The first stands for what stood still.
            if !known {
                motions.push(motion);
            }
        }
    }
    let (winner, rival) = elect(finest, motions)?;
    let winner = &consensus::turned(finest, winner);
    let support = finest.evidence(&winner.says);
    let confidence = confidence(finest, winner, rival);
    let scale = finest.scale as f64;
    (support > LEAST_EVIDENCE).then(|| Shift {
        dx: winner.model.x * scale,
        dy: winner.model.y * scale,
        turn: winner.model.z,
        confidence,
        sigma_px: winner.sigma * scale,
    })
}

/// The motion that stands, and what speaks for another one alone. Standing still (a motion within
/// [`consensus::REACH_PX`] of none) is favoured.
fn elect(level: &Level, mut motions: Vec<Motion>) -> Option<(Motion, f64)> {
    motions.sort_by(|p, q| level.evidence(&q.says).total_cmp(&level.evidence(&p.says)));
    let best = motions.first()?;
    let still = motions
        .iter()
        .position(|m| m.shift().norm() < consensus::REACH_PX);
    let stands = still.filter(|i| *i > 0).filter(|i| {
        let stays = level.exclusive(&motions[*i].says, &best.says);
        let goes = level.exclusive(&best.says, &motions[*i].says);
        STILL_FAVOUR * stays >= goes && stays > LEAST_EVIDENCE
    });
    let winner = motions.remove(stands.unwrap_or(0));
    if stands.is_some() {
        // What moves as one over land that stands is sky: no rival.
        return Some((winner, 0.0));
    }
    let alone = motions.iter().map(|m| level.exclusive(&m.says, &winner.says));
    let rival = alone.fold(0.0, f64::max);
    Some((winner, rival))
}

/// The least share that a motion has of what speaks for it and for one that cannot be true (some way off,
/// on two rings): chance, and the pictures' likeness to themselves, bring about that much.
fn confidence(level: &Level, winner: &Motion, rival: f64) -> f64 {
    const ASIDE: [(f64, f64); 6] = [
        (1.0, 0.0),
        (0.5, 0.9),
        (-0.5, 0.9),
        (-1.0, 0.0),
        (-0.5, -0.9),
        (0.5, -0.9),
    ];
    const RADII: [f64; 2] = [0.06, 0.13];
    let shorter = level.a.width().min(level.a.height()) as f64;
    let share = |pro: f64, con: f64| pro / (pro + STILL_FAVOUR * con + LEAST_EVIDENCE);
    let decoys = RADII.iter().flat_map(|r| ASIDE.map(|(x, y)| (r * x, r * y)));
    decoys.fold(share(level.evidence(&winner.says), rival), |least, (x, y)| {
        let shift = winner.shift() + Vector2::new(x, y) * shorter;
        let says = level.says(&|_| shift);
        least.min(share(
            level.exclusive(&winner.says, &says),
            level.exclusive(&says, &winner.says),
        ))
    })
}
