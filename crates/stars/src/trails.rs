//! Stars drawn out into trails: patches long and thin, alike in length and direction.

use crate::components::{Component, Components};
use nightloom_fit::median_of;

/// One trail.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Trail {
    pub(crate) x: f64,
    pub(crate) y: f64,
    /// Variance along and across, of the filtered light.
    pub(crate) along: f64,
    pub(crate) across: f64,
    /// Direction, radians from +x towards +y.
    pub(crate) angle: f64,
    /// Length of the uniform line with the same variance along, pixels.
    pub(crate) length: f32,
    pub(crate) snr: f32,
}

/// Trails fewer than this say nothing of the frame.
const MIN_TRAILS: usize = 6;
/// Neighbours that each trail is compared with.
const NEIGHBOURS: usize = 8;

/// The frame's trails, if its stars are trailed (or if `surely` they are).
pub(crate) fn find_trails(patches: &Components, sigma: f64, surely: bool) -> Option<Vec<Trail>> {
    let all: Vec<Trail> = patches.list.iter().filter_map(|p| trail(p, sigma)).collect();
    let mut bright = all.clone();
    bright.sort_by(|a, b| {
        b.snr
            .total_cmp(&a.snr)
            .then(a.y.total_cmp(&b.y))
            .then(a.x.total_cmp(&b.x))
    });
    bright.truncate(400);
    if bright.len() < MIN_TRAILS {
        return surely.then_some(all);
    }
    let elongation = median_of(bright.iter().map(|t| (t.along / t.across).sqrt() as f32)).unwrap_or(0.0);
    let agreement = median_of(bright.iter().map(|t| agreement(t, &bright).0)).unwrap_or(0.0);
    if !surely && (elongation < 1.8 || agreement < 0.8) {
        return None;
    }
    let alike: Vec<Trail> = bright
        .iter()
        .filter(|t| agreement_ok(t, &bright))
        .copied()
        .collect();
    let length = median_of(alike.iter().map(|t| t.length)).unwrap_or(0.0);
    let fits = |t: &Trail| t.length > 0.4 * length && t.length < 1.7 * length && agreement_ok(t, &alike);
    Some(all.iter().filter(|t| fits(t)).copied().collect())
}

fn trail(patch: &Component, sigma: f64) -> Option<Trail> {
    let (along, across, angle) = patch.moments.axes();
    // The filter has added its own variance to the star's.
    let widest = 3.0 * (2.0 * sigma * sigma);
    if patch.pixels < 6 || patch.snr < 6.0 || across > widest || across <= 0.05 {
        return None;
    }
    let length = (12.0 * (along - across).max(0.0)).sqrt() as f32;
    Some(Trail {
        x: patch.x,
        y: patch.y,
        along,
        across,
        angle,
        length,
        snr: patch.snr,
    })
}

fn agreement_ok(trail: &Trail, others: &[Trail]) -> bool {
    agreement(trail, others).0 > 0.7
}

/// The cosine of twice the angle to the neighbours' common direction, and that direction.
fn agreement(trail: &Trail, others: &[Trail]) -> (f32, f64) {
    let mut near: Vec<(f64, f64)> = others
        .iter()
        .map(|o| ((o.x - trail.x).powi(2) + (o.y - trail.y).powi(2), o.angle))
        .filter(|(d, _)| *d > 0.25)
        .collect();
    near.sort_by(|a, b| a.0.total_cmp(&b.0));
    near.truncate(NEIGHBOURS);
    let (s, c) = near.iter().fold((0.0, 0.0), |(s, c), (_, a)| {
        (s + (2.0 * a).sin(), c + (2.0 * a).cos())
    });
    let common = 0.5 * f64::atan2(s, c);
    ((2.0 * (trail.angle - common)).cos() as f32, common)
}
