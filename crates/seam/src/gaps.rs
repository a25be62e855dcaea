//! Whether sky shows through land: the proof that a cell of land must give before its pixels are asked one by one.
//!
//! Through a gap every pixel is a mixture of land and of the sky behind: the pixels of a window lie between two ends
//! and hardly one beyond the sky's. Ground that only happens to be as bright as the sky here and there knows no such
//! end: its brightness thins out evenly through the sky's level, or lies on both sides of it.

use nightloom_fit::median_of;

use crate::{Evidence, SkyModel};

/// How well the sky behind land is known, as a fraction of its level: it is continued from beside it.
const MODEL_ERROR: f32 = 0.03;
/// How well its hue is, likewise: levels are harder to continue than colours.
const HUE_ERROR: f32 = 0.015;
/// A pixel within so many sigmas of the sky looks like it (normal law: 98 % of those that are).
const REACH_SIGMA: f32 = 2.5;
/// The reach may be this part of the way to the land, or its middle could not be told from its ends.
const MOST_REACH: f32 = 0.25;
/// Black land stands so many sigmas off the sky, or pixels are looked at together, in squares of this side at most.
const ENOUGH_SIGMA: f32 = 14.0;
const MOST_SIDE: f32 = 4.0;
/// Noise of a mean over its single noise, times the square's side.
const ALIKE: f32 = 1.5;
/// Beyond the sky's end lie at most this part of the pixels that an even thinning out would put there …
const BEYOND: f32 = 0.15;
/// … and so many sigmas (of a count) fewer than it.
const SURE: f32 = 4.0;
/// From one gap to the next the sky's level may differ by so many errors of the model: the likeliest first.
const OFF: [f32; 3] = [0.0, 1.0, -1.0];
/// How much clearer the land's end at such a level must be than at the expected one.
const CLEARER: f32 = 1.5;
/// So far in all, from gap to gap, the sky may be off the one told beforehand.
const WALK: std::ops::RangeInclusive<f32> = 0.8..=1.25;
/// A window with this share of pixels like the sky is sky, and needs no land to be told from.
const ALL_SKY: f32 = 0.6;

/// Pixels of a window against the sky behind.
pub(crate) struct Window {
    /// Each pixel's distance from the sky in sigmas.
    away: Vec<[f32; 3]>,
    /// The sky behind.
    back: [f32; 3],
    /// Noise of one pixel of it, and with what is not known of the sky.
    noise: [f32; 3],
    sigma: [f32; 3],
}

/// Side of the squares of pixels that are looked at as one, so that black land would stand out from the sky.
fn side_told(back: [f32; 3], noise: [f32; 3]) -> usize {
    let black = (0..3).map(|c| (back[c] / noise[c]).powi(2)).sum::<f32>().sqrt();
    (ENOUGH_SIGMA / black).ceil().clamp(1.0, MOST_SIDE) as usize
}

/// Looks at those pixels of the square from (x0, y0) to (x1, y1) that `land` names: sky beside the ridge proves nothing.
pub(crate) fn look(
    evidence: &Evidence,
    sky: &SkyModel,
    [x0, y0, x1, y1]: [usize; 4],
    land: &dyn Fn(usize, usize) -> bool,
) -> Window {
    let back = sky.at(x0 + (x1 - x0) / 2, y0 + (y1 - y0) / 2);
    let single: [f32; 3] = std::array::from_fn(|c| sky.noise_at(c, back[c]));
    let side = side_told(back, single);
    // Neighbours are alike after demosaicing: the noise of a mean falls more slowly than with the root of their number.
    let noise = single.map(|n| n * if side > 1 { ALIKE / side as f32 } else { 1.0 });
    let sigma: [f32; 3] = std::array::from_fn(|c| noise[c].hypot(MODEL_ERROR * back[c]));
    let places = (y0..(y1 + 1).saturating_sub(side)).step_by(side).flat_map(|y| {
        (x0..(x1 + 1).saturating_sub(side))
            .step_by(side)
            .map(move |x| (x, y))
    });
    // A star's trail behind the land lies beyond the sky's end, and is no part of either.
    let trail = |x: usize, y: usize| evidence.places.is_some_and(|p| p.trail(x, y));
    let shines = |x: usize, y: usize| {
        trail(x, y) && (0..3).all(|c| evidence.land.planes()[c].at(x, y) > back[c] + single[c])
    };
    let lit = |x: usize, y: usize| (y..y + side).any(|v| (x..x + side).any(|u| shines(u, v)));
    let away = places.filter(|&(x, y)| land(x, y) && !lit(x, y)).map(|(x, y)| {
        let mut colour = [0.0; 3];
        for v in y..y + side {
            for u in x..x + side {
                let seen = evidence.land.at(u, v);
                (0..3).for_each(|c| colour[c] += seen[c] / (side * side) as f32);
            }
        }
        std::array::from_fn(|c| (colour[c] - back[c]) / sigma[c])
    });
    Window {
        away: away
            .filter(|v: &[f32; 3]| v.iter().all(|v| v.is_finite()))
            .collect(),
        back,
        noise,
        sigma,
    }
}

impl Window {
    fn count(&self, test: &dyn Fn(&[f32; 3]) -> bool) -> f32 {
        self.away.iter().filter(|v| test(v)).count() as f32
    }

    fn like(&self) -> f32 {
        self.count(&|v| v.iter().all(|v| v.abs() < REACH_SIGMA))
    }

    /// Share of pixels that look like the sky.
    pub(crate) fn alike(&self) -> f32 {
        self.like() / self.away.len().max(1) as f32
    }

    /// Whether the pixels prove sky, of which they show this share at least: then its level, in parts of the one told
    /// beforehand. `before` is the level in the gap beside, if one was proved: the sky goes on from it.
    pub(crate) fn gap_level(&self, least_share: f32, before: Option<f32>) -> Option<f32> {
        let expected = before.unwrap_or(1.0);
        let there = self.at_level(expected);
        if there.alike() >= ALL_SKY {
            let level = expected * (1.0 + there.middle());
            return (there.is_sky() && WALK.contains(&level)).then_some(level);
        }
        let tried = if before.is_some() { &OFF[..] } else { &OFF[..1] };
        tried
            .iter()
            .map(|off| expected * (1.0 + off * MODEL_ERROR))
            .filter(|level| WALK.contains(level))
            .find(|&level| {
                let w = self.at_level(level);
                // Each further try could find an end by chance: it must be a clearer one.
                let clear = if level == expected { 1.0 } else { CLEARER };
                w.alike() >= least_share && land_end(&w.away).is_some_and(|front| w.ends_at_sky(front, clear))
            })
    }

    /// Median distance from the sky's level, all channels, in parts of it.
    fn middle(&self) -> f32 {
        let of = |c: usize| median_of(self.away.iter().map(|v| v[c])).unwrap_or(0.0);
        (0..3)
            .map(|c| of(c) * self.sigma[c] / self.back[c].max(f32::MIN_POSITIVE))
            .sum::<f32>()
            / 3.0
    }

    /// The same pixels against a sky so many times as bright.
    fn at_level(&self, times: f32) -> Self {
        let back = self.back.map(|b| times * b);
        let shift: [f32; 3] = std::array::from_fn(|c| (back[c] - self.back[c]) / self.sigma[c]);
        Self {
            away: self
                .away
                .iter()
                .map(|v| std::array::from_fn(|c| v[c] - shift[c]))
                .collect(),
            back,
            ..*self
        }
    }

    /// Whether the way from land to sky ends at the sky and has its hue there.
    fn ends_at_sky(&self, front: [f32; 3], clear: f32) -> bool {
        let length = dot(&front, &front);
        let reach = REACH_SIGMA / length.sqrt();
        let along = |v: &[f32; 3]| dot(v, &front) / length;
        let between = |low: f32, high: f32| self.count(&|v| (low..high).contains(&(along(v) / reach)));
        let (inside, at, beyond) = (between(1.0, 3.0), between(-1.0, 1.0), between(-3.0, -1.0));
        let thinning = at * (at / inside.max(1.0)).min(1.0);
        reach < MOST_REACH
            && beyond < BEYOND / clear * thinning
            && thinning - beyond > SURE * clear * thinning.sqrt()
            && self.like() > 0.5 * at
            && self.of_one_hue(|v| along(v).abs() < reach)
    }

    /// Whether a window without land is the sky behind in each channel: noise must not hide what is not.
    fn is_sky(&self) -> bool {
        let chance = chance(self.away.len());
        (0..3).all(|c| {
            let middle = median_of(self.away.iter().map(|v| v[c])).unwrap_or(f32::INFINITY);
            middle.abs() * self.sigma[c] < 2.0 * MODEL_ERROR * self.back[c] + SURE * chance * self.noise[c]
        })
    }

    /// Whether pixels as bright as the sky have its hue too, on the whole: ground of another colour passes through the
    /// sky's brightness beside its colour.
    fn of_one_hue(&self, as_bright: impl Fn(&[f32; 3]) -> bool) -> bool {
        let crowd: Vec<&[f32; 3]> = self.away.iter().filter(|v| as_bright(v)).collect();
        let relative: [f32; 3] = std::array::from_fn(|c| self.sigma[c] / self.back[c].max(f32::MIN_POSITIVE));
        let share: [f32; 3] = std::array::from_fn(|c| {
            median_of(crowd.iter().map(|v| v[c] * relative[c])).unwrap_or(f32::INFINITY)
        });
        let grey = share.iter().sum::<f32>() / 3.0;
        let doubt = SURE * chance(crowd.len());
        (0..3).all(|c| (share[c] - grey).abs() < HUE_ERROR + doubt * relative[c])
    }
}

/// Error of a median of so many pixels, in sigmas of one (normal law). Demosaicing makes neighbours alike: four pixels
/// tell what one would.
fn chance(count: usize) -> f32 {
    1.25 * (4.0 / count.max(1) as f32).sqrt()
}

/// Mean of the quarter of the pixels that is farthest from the sky, in sigmas.
fn land_end(away: &[[f32; 3]]) -> Option<[f32; 3]> {
    let mut order: Vec<&[f32; 3]> = away.iter().collect();
    order.sort_by(|a, b| dot(b, b).total_cmp(&dot(a, a)));
    order.truncate(away.len().div_ceil(4));
    // Pixels on the sky's other side (stars) would pull the mean: the commoner side rules.
    let sum: [f32; 3] = std::array::from_fn(|c| order.iter().map(|v| v[c]).sum());
    order.retain(|v| dot(v, &sum) > 0.0);
    let n = order.len() as f32;
    let mean: [f32; 3] = std::array::from_fn(|c| order.iter().map(|v| v[c]).sum::<f32>() / n);
    (n > 0.0 && dot(&mean, &mean) > 0.0).then_some(mean)
}

fn dot(a: &[f32; 3], b: &[f32; 3]) -> f32 {
    (0..3).map(|c| a[c] * b[c]).sum()
}
