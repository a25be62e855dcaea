//! Streaks of satellites, aircraft and meteors, told apart by how their light runs along them.
//!
//! Patches long and thin that are not trails of stars are joined where they lie on one line; where stars stand
//! thick, and for faint light, lines stand out in sums along them ([`crate::faint_lines`]). The light along the line
//! is read in steps:
//!
//! - gaps or beats again and again: an aircraft's lamps;
//! - rising and falling within the frame with faint ends, the brightest part in the later two thirds of
//!   one direction: a meteor, burning up;
//! - even, and cut off by the frame or the shutter: a satellite.
//!
//! One grey plane holds no more; what stands between is left unknown. The limits are common practice,
//! no source.

use nightloom_fit::{Normal, median_of, quantile};
use nightloom_raster::Plane;

use crate::components::{Component, Components};
use crate::faint_lines::FaintLines;
use crate::line::Line;
use crate::{Background, LandMask};

/// What drew a streak.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum StreakKind {
    /// Even light.
    Satellite,
    /// Light that beats or is dashed.
    Aircraft,
    /// Light that swells and fades.
    Meteor,
    /// The light along it does not tell.
    Unknown,
}

/// One streak across the frame.
///
/// # Units
/// Pixels, x right, y down, centre of the first pixel (0, 0).
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Streak {
    /// One end.
    pub from: [f64; 2],
    /// The other end.
    pub to: [f64; 2],
    /// Full width at half maximum across.
    pub width_px: f32,
    /// Signal over noise of its brightest place in the matched filter.
    pub snr: f32,
    /// What it most likely is.
    pub kind: StreakKind,
    /// Part of the light's variation along it that one period explains, 0 to 1.
    pub beat: f32,
    /// Part of its length that is dark.
    pub dark: f32,
    /// Light of its ends (a tenth of the length each) over that of its middle.
    pub ends: f32,
    /// Whether both ends are within the frame.
    pub within: bool,
}

/// Length over the filter's width, at least: in the Milky Way, chains of three and four stars are shorter.
const LONG: f64 = 40.0;
/// What a star that stands on a streak adds is left out: light beyond so many times the middle value.
const MOST_LIGHT: f64 = 2.5;
/// Steps along a streak at least, for its light to tell anything.
const STEPS: usize = 12;

/// The same where stars stand so thick that they make chains, and for dashes.
const LONG_IN_CROWDS: f64 = 100.0;
/// Part of a frame that stands out, from which on stars stand thick.
const CROWDED: f64 = 0.03;
/// Part of a line that is dark, beyond which it must beat to be one.
const DARK: f64 = 0.35;
/// The beat it then has at least.
const DASHED: f64 = 0.3;

/// The streaks among the patches and the faint lines; `sigma` is the width of the stars.
pub(crate) fn find_streaks(
    image: &Plane,
    background: &Background,
    patches: &Components,
    faint: FaintLines,
    sigma: f64,
    land: &LandMask,
) -> Vec<Streak> {
    let mut lines: Vec<Line> = joined_patches(patches, sigma, land)
        .iter()
        .map(|l| to_its_ends(image, background, l, sigma))
        .collect();
    let standing_out: usize = patches.list.iter().map(|p| p.pixels).sum();
    if standing_out as f64 > CROWDED * image.data().len() as f64 {
        lines.retain(|l| 2.0 * l.half > LONG_IN_CROWDS * sigma);
    }
    let found = faint.find(image, background, sigma, land);
    // What is found as a whole stands for its pieces.
    lines.retain(|l| !found.iter().any(|f| same(f, l, sigma) && f.half > l.half));
    let new = |f: &Line| !lines.iter().any(|l| same(l, f, sigma));
    let found: Vec<Line> = found.into_iter().filter(new).collect();
    lines.extend(found);
    lines
        .iter()
        .filter_map(|l| describe(image, background, l, sigma))
        .collect()
}

/// The long thin patches, those on one line joined.
fn joined_patches(patches: &Components, sigma: f64, land: &LandMask) -> Vec<Line> {
    let mut lines: Vec<Line> = patches.list.iter().filter_map(|p| line(p, sigma)).collect();
    lines.retain(|l| !land.is_land(l.x, l.y));
    lines.sort_by(|a, b| b.half.total_cmp(&a.half).then(a.y.total_cmp(&b.y)));
    lines.truncate(500);
    let mut joined = lines;
    // Dashes grow together from several sides.
    loop {
        let before = joined.len();
        let mut next: Vec<Line> = Vec::new();
        for line in joined {
            match next.iter_mut().find(|j| continues(j, &line, sigma)) {
                Some(found) => *found = join(found, &line),
                None => next.push(line),
            }
        }
        joined = next;
        if joined.len() == before {
            break;
        }
    }
    joined.retain(|l| 2.0 * l.half > LONG * sigma);
    joined
}

/// Whether the second lies along the first.
fn same(first: &Line, second: &Line, sigma: f64) -> bool {
    let (s, c) = first.angle.sin_cos();
    let (dx, dy) = (second.x - first.x, second.y - first.y);
    let turn = (first.angle - second.angle).sin().abs();
    let along = (dx * c + dy * s).abs();
    turn < 0.2
        && (dy * c - dx * s).abs() < 10.0 * sigma + 0.08 * first.half
        && along < first.half + second.half
}

fn line(patch: &Component, sigma: f64) -> Option<Line> {
    let (along, across, angle) = patch.moments.axes();
    let thin = along > 6.0 * across && across < 9.0 * sigma * sigma && across > 0.0;
    let half = (3.0 * along).sqrt();
    (thin && patch.snr > 6.0 && half > 3.0 * sigma).then_some(Line {
        x: patch.x,
        y: patch.y,
        angle,
        half,
        across,
        snr: patch.snr,
        pieces: 1,
    })
}

/// Whether the second lies on the first's line, not farther off its end than both are long.
fn continues(first: &Line, second: &Line, sigma: f64) -> bool {
    let (s, c) = first.angle.sin_cos();
    let (dx, dy) = (second.x - first.x, second.y - first.y);
    let (along, across) = ((dx * c + dy * s).abs(), (dy * c - dx * s).abs());
    let turn = (first.angle - second.angle).sin().abs();
    let gap = along - first.half - second.half;
    let loose = 0.02 + 2.0 * sigma / second.half.max(1.0);
    turn < loose && across < 2.0 * sigma + 0.02 * along && gap < 2.0 * (first.half + second.half)
}

fn join(a: &Line, b: &Line) -> Line {
    let ends = [a, b].into_iter().flat_map(|l| {
        let (s, c) = l.angle.sin_cos();
        [-l.half, l.half].map(|t| (l.x + t * c, l.y + t * s))
    });
    let ends: Vec<(f64, f64)> = ends.collect();
    let (s, c) = a.angle.sin_cos();
    let at = |p: &(f64, f64)| (p.0 - a.x) * c + (p.1 - a.y) * s;
    let by = |p: &&(f64, f64), q: &&(f64, f64)| at(p).total_cmp(&at(q));
    let (first, last) = match (ends.iter().min_by(by), ends.iter().max_by(by)) {
        (Some(first), Some(last)) => (*first, *last),
        _ => return *a,
    };
    let (dx, dy) = (last.0 - first.0, last.1 - first.1);
    Line {
        x: 0.5 * (first.0 + last.0),
        y: 0.5 * (first.1 + last.1),
        angle: dy.atan2(dx),
        half: 0.5 * dx.hypot(dy),
        across: a.across,
        snr: a.snr.max(b.snr),
        pieces: a.pieces + b.pieces,
    }
}

/// Moves the ends to where the light comes out of the noise.
fn to_its_ends(image: &Plane, background: &Background, line: &Line, sigma: f64) -> Line {
    let wide = Line {
        half: 2.0 * line.half,
        ..*line
    };
    let light = smoothed(&light_along(image, background, &wide, sigma), 5);
    let (s, c) = line.angle.sin_cos();
    // Beyond the frame nothing is read: the first step read is the first within.
    let first = (0..(2.0 * wide.half) as usize).find(|i| {
        let t = *i as f64 + 0.5 - wide.half;
        let (x, y) = ((line.x + t * c).round(), (line.y + t * s).round());
        x >= 0.0 && y >= 0.0 && (x as usize) < image.width() && (y as usize) < image.height()
    });
    let noise = f64::from(background.noise_at(line.x, line.y)) * (4.0 * sigma + 1.0).sqrt();
    let limit = 2.0 * noise;
    let at = |t: f64| (t + wide.half).max(0.0) as usize;
    let start = first.unwrap_or(0) + 2;
    let index = |t: f64| at(t).saturating_sub(start).min(light.len().saturating_sub(1));
    let lit = |i: usize| light.get(i).is_some_and(|l| *l > limit);
    let (mut low, mut high) = (index(-line.half), index(line.half));
    while low > 0 && lit(low - 1) {
        low -= 1;
    }
    while low < high && !lit(low) {
        low += 1;
    }
    while lit(high + 1) {
        high += 1;
    }
    while high > low && !lit(high) {
        high -= 1;
    }
    let place = |i: usize| (i + start) as f64 + 0.5 - wide.half;
    let (from, to) = (place(low), place(high));
    let middle = 0.5 * (from + to);
    Line {
        x: line.x + middle * c,
        y: line.y + middle * s,
        half: 0.5 * (to - from),
        ..*line
    }
}

fn describe(image: &Plane, background: &Background, line: &Line, sigma: f64) -> Option<Streak> {
    let (s, c) = line.angle.sin_cos();
    let end = |t: f64| [line.x + t * c, line.y + t * s];
    let light = without_stars(light_along(image, background, line, sigma));
    if light.len() < STEPS {
        return None;
    }
    let noise = f64::from(background.noise_at(line.x, line.y)) * (4.0 * sigma + 1.0).sqrt();
    let steady = smoothed(&light, 5);
    let top = steady.iter().copied().fold(0.0, f64::max);
    let dark = light.iter().filter(|l| **l < 0.15 * top).count() as f64 / light.len() as f64;
    let tenth = (light.len() / 10).max(1);
    let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len().max(1) as f64;
    let (n, middle) = (light.len(), mean(&light[light.len() / 3..2 * light.len() / 3]));
    let ends = (0.5 * (mean(&light[..tenth]) + mean(&light[n - tenth..])) / middle.max(1e-12)).max(0.0);
    let inside = |p: [f64; 2]| {
        let edge = 4.0 * sigma;
        p[0] > edge
            && p[1] > edge
            && p[0] < image.width() as f64 - edge
            && p[1] < image.height() as f64 - edge
    };
    let within = inside(end(-line.half)) && inside(end(line.half));
    let tapered = tapered(&light);
    let beat = beat(&light, noise);
    // Slow changes are a satellite's and the lens's; a median of n has π/(2n) of one value's variance.
    let window = (light.len() / 60).clamp(5, 25) | 1;
    let slow = smoothed(&light, window);
    let trend = trend_of(&slow);
    let rest: Vec<f64> = slow.iter().zip(&trend).map(|(l, t)| l - t).collect();
    let noise2 = 0.5 * std::f64::consts::PI / window as f64 * noise * noise;
    let variation = (spread(&rest).powi(2) - noise2).max(0.0).sqrt() / mean(&slow).max(1e-12);
    // Two stars and what lies between them are no streak.
    let chain = dark > DARK && (beat < DASHED || 2.0 * line.half < LONG_IN_CROWDS * sigma);
    (!chain).then_some(Streak {
        from: end(-line.half),
        to: end(line.half),
        width_px: (crate::shape::FWHM_PER_SIGMA * (line.across - sigma * sigma).max(0.1).sqrt()) as f32,
        snr: line.snr,
        kind: kind(beat, dark, within && tapered, variation),
        beat: beat as f32,
        dark: dark as f32,
        ends: ends as f32,
        within,
    })
}

/// The light with what is far above its middle value cut off; dashes, whose middle is dark, are left.
fn without_stars(mut light: Vec<f64>) -> Vec<f64> {
    let at = |part: f64| quantile(&mut light.clone(), part);
    if let (Some(low), Some(middle)) = (at(0.2), at(0.5))
        && low > 0.3 * middle
    {
        light.iter_mut().for_each(|l| *l = l.min(MOST_LIGHT * middle));
    }
    light
}

/// Beat of an aircraft's lamps at least.
const BEATING: f64 = 0.35;
/// Variation of a line's light, slow changes left out, up to which it is even.
const EVEN: f64 = 0.45;
/// Light of an end over the line's high parts, below which it fades there.
const FADED: f64 = 0.25;
/// Mean light over the high parts at most, where the light swells and fades.
const SWELLING: f64 = 0.58;

/// Light of one third of a line over that of the other end's, below which it swells or fades.
const LOPSIDED: f64 = 0.45;

/// Whether the light swells and fades: an end without light and much of the line below its best, or one third far
/// brighter than the other.
fn tapered(light: &[f64]) -> bool {
    let slow = smoothed(light, (light.len() / 20).clamp(5, 25) | 1);
    let high = quantile(&mut slow.clone(), 0.9).unwrap_or(0.0);
    let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len().max(1) as f64;
    let least = |part: usize| {
        let n = (slow.len() / part).max(1);
        let (first, last) = (mean(&slow[..n]), mean(&slow[slow.len() - n..]));
        (first.min(last), first.max(last))
    };
    let (faint, bright) = least(3);
    least(10).0 < FADED * high && mean(&slow) < SWELLING * high || faint < LOPSIDED * bright
}

fn kind(beat: f64, dark: f64, tapered: bool, variation: f64) -> StreakKind {
    if beat > BEATING && variation > 0.25 || dark > DARK {
        StreakKind::Aircraft
    } else if tapered {
        StreakKind::Meteor
    } else if variation < EVEN {
        StreakKind::Satellite
    } else {
        StreakKind::Unknown
    }
}

/// Light above the background in steps of one pixel along the line, summed across it.
fn light_along(image: &Plane, background: &Background, line: &Line, sigma: f64) -> Vec<f64> {
    let (s, c) = line.angle.sin_cos();
    let half_across = (2.0 * sigma).ceil() as isize;
    let steps = (2.0 * line.half) as usize;
    (0..steps)
        .filter_map(|i| {
            let t = i as f64 + 0.5 - line.half;
            let (x, y) = (line.x + t * c, line.y + t * s);
            let (mut sum, mut seen) = (0.0, 0);
            for o in -half_across..=half_across {
                let (px, py) = ((x - o as f64 * s).round(), (y + o as f64 * c).round());
                if px >= 0.0 && py >= 0.0 && (px as usize) < image.width() && (py as usize) < image.height() {
                    let value = image.at(px as usize, py as usize) - background.level_at(px, py);
                    sum += f64::from(value);
                    seen += 1;
                }
            }
            (seen > 0).then_some(sum)
        })
        .collect()
}

/// Medians of so many values.
fn smoothed(light: &[f64], window: usize) -> Vec<f64> {
    light
        .windows(window.min(light.len()))
        .filter_map(|w| median_of(w.iter().copied()))
        .collect()
}

fn spread(light: &[f64]) -> f64 {
    let mean = light.iter().sum::<f64>() / light.len() as f64;
    (light.iter().map(|l| (l - mean).powi(2)).sum::<f64>() / light.len() as f64).sqrt()
}

/// Steps along a line in which a beat is looked for.
const BEAT_STEPS: usize = 512;
/// Harmonics of a beat: lamps flash, they do not swing.
const HARMONICS: usize = 3;

/// The part of the variation, noise and slow swelling taken out, that the best single period of three
/// and more to the line explains with its harmonics (Lomb 1976).
fn beat(light: &[f64], noise: f64) -> f64 {
    let chunk = light.len().div_ceil(BEAT_STEPS);
    let light: Vec<f64> = light
        .chunks(chunk)
        .map(|c| c.iter().sum::<f64>() / c.len() as f64)
        .collect();
    let n = light.len();
    let trend = trend_of(&light);
    let rest: Vec<f64> = light.iter().zip(&trend).map(|(l, t)| l - t).collect();
    let power: f64 = rest.iter().map(|r| r * r).sum::<f64>() - noise * noise * n as f64 / chunk as f64;
    if power <= 0.0 {
        return 0.0;
    }
    let powers: Vec<f64> = (0..=n)
        .map(|k| {
            let w = std::f64::consts::PI * k as f64 / n as f64;
            let (s, c) = rest.iter().enumerate().fold((0.0, 0.0), |(s, c), (i, r)| {
                let (a, b) = (w * i as f64).sin_cos();
                (s + r * a, c + r * b)
            });
            2.0 * (s * s + c * c) / n as f64
        })
        .collect();
    // A harmonic falls between two frequencies of the ladder.
    let about = |k: usize| {
        (k - 1..=k + 1)
            .filter_map(|k| powers.get(k))
            .copied()
            .fold(0.0, f64::max)
    };
    let best = (6..=n)
        .map(|k| powers[k] + (2..=HARMONICS).map(|h| about(h * k)).sum::<f64>())
        .fold(0.0, f64::max);
    (best / power).clamp(0.0, 1.0)
}

/// A parabola through the light.
fn trend_of(light: &[f64]) -> Vec<f64> {
    let n = light.len() as f64;
    let at = |i: usize| 2.0 * (i as f64 + 0.5) / n - 1.0;
    let mut normal = Normal::<3>::new();
    for (i, l) in light.iter().enumerate() {
        let u = at(i);
        normal.add([1.0, u, u * u], *l, 1.0);
    }
    let a = normal.solve().unwrap_or_default();
    (0..light.len())
        .map(|i| a[0] + at(i) * (a[1] + at(i) * a[2]))
        .collect()
}
