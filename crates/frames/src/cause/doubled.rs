//! Stars seen twice at one and the same offset: a knock during the exposure, or two exposures in one.

use nightloom_fit::median_of;
use std::collections::HashMap;

use nightloom_stars::{Field, Star};

/// Stars that stand twice.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
pub struct Doubled {
    /// From the brighter image to the fainter, pixels.
    pub offset_px: [f64; 2],
    /// Flux of the fainter image over the brighter's.
    pub ratio: f64,
    /// Share of the bright stars that have a partner there.
    pub share: f64,
    /// Pairs found, and pairs chance would give.
    pub pairs: usize,
    /// Pairs chance would give.
    pub by_chance: f64,
}

/// Bright stars whose partners are looked for.
const BRIGHT: usize = 250;
/// Largest offset looked at, pixels.
const REACH: f64 = 60.0;
/// Offsets this near are one, pixels.
const SAME: f64 = 1.2;

/// The offset that most bright stars' neighbours share.
pub(super) fn find(field: &Field) -> Option<Doubled> {
    let bright = &field.stars[..field.stars.len().min(BRIGHT)];
    if bright.len() < 8 {
        return None;
    }
    let offsets = offsets(bright, &field.stars);
    let (centre, members) = densest(&offsets)?;
    let reach_area = std::f64::consts::PI * REACH * REACH;
    let by_chance = offsets.len() as f64 * (SAME * SAME * std::f64::consts::PI) / reach_area;
    let ratios: Vec<f64> = members.iter().map(|&i| offsets[i].2).collect();
    let ratio = median_of(ratios.iter().copied())?;
    let alike = ratios.iter().filter(|r| (*r / ratio).ln().abs() < 0.35).count();
    let found = Doubled {
        offset_px: centre,
        ratio,
        share: alike as f64 / bright.len() as f64,
        pairs: alike,
        by_chance,
    };
    let sure = alike as f64 > by_chance + 5.0 * by_chance.sqrt() + 4.0;
    (sure && found.share > 0.12).then_some(found)
}

/// Offsets from each bright star to fainter neighbours, with the flux ratio.
fn offsets(bright: &[Star], all: &[Star]) -> Vec<(f64, f64, f64)> {
    let mut out = Vec::new();
    for a in bright {
        for b in all {
            let (dx, dy) = (b.x - a.x, b.y - a.y);
            let ratio = f64::from(b.flux / a.flux);
            if dx.abs() < REACH
                && dx.hypot(dy) < REACH
                && (dx, dy) != (0.0, 0.0)
                && ratio < 1.0
                && ratio > 0.03
            {
                out.push((dx, dy, ratio));
            }
        }
    }
    out.truncate(20_000);
    out
}

/// The offset with the most others within [`SAME`] of it, either way round for nearly equal images.
fn densest(offsets: &[(f64, f64, f64)]) -> Option<([f64; 2], Vec<usize>)> {
    let cell = |v: f64| (v / SAME).floor() as i32;
    let mut cells: HashMap<(i32, i32), Vec<usize>> = HashMap::new();
    for (i, o) in offsets.iter().enumerate() {
        cells.entry((cell(o.0), cell(o.1))).or_default().push(i);
    }
    let near = |i: usize| {
        let (x, y, _) = offsets[i];
        let about = (0..9).map(move |k| (cell(x) + k % 3 - 1, cell(y) + k / 3 - 1));
        about
            .filter_map(|key| cells.get(&key))
            .flatten()
            .copied()
            .filter(move |j| (offsets[*j].0 - x).powi(2) + (offsets[*j].1 - y).powi(2) < SAME * SAME)
    };
    let best = (0..offsets.len())
        .map(|i| (near(i).count(), i))
        .max_by(|a, b| a.0.cmp(&b.0).then(b.1.cmp(&a.1)))?;
    let members: Vec<usize> = near(best.1).collect();
    let n = members.len().max(1) as f64;
    let mean = |k: fn(&(f64, f64, f64)) -> f64| members.iter().map(|&j| k(&offsets[j])).sum::<f64>() / n;
    Some(([mean(|o| o.0), mean(|o| o.1)], members))
}
