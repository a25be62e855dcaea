//! Local maxima of the filtered plane and which of them are stars of their own.

use std::collections::{HashMap, HashSet};

use nightloom_raster::Plane;

use crate::Background;

/// One local maximum.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Peak {
    pub(crate) x: usize,
    pub(crate) y: usize,
    pub(crate) value: f32,
    pub(crate) snr: f32,
    /// Where to start measuring.
    pub(crate) cx: f64,
    pub(crate) cy: f64,
    /// Radius of the burnt-out core, pixels; 0 where there is none.
    pub(crate) saturated_radius: f64,
}

/// Part of the threshold that a pixel beside a star's middle must reach.
pub(crate) const BESIDE: f32 = 0.78;

/// Adds the pixels of a row, from (`x0`, `y`) on as many as there are limits, that are higher than their eight
/// neighbours, where a parabola through them rises above the `limit`, which is `sigma` times the noise.
///
/// Sharp stars lose a fifth of their height where they stand between pixels.
pub(crate) fn find_peaks(
    filtered: &Plane,
    limit: &[f32],
    (x0, y): (usize, usize),
    sigma: f32,
    found: &mut Vec<Peak>,
) {
    let width = filtered.width();
    if y == 0 || y + 1 >= filtered.height() || width < 3 {
        return;
    }
    let (up, here, down) = (filtered.row(y - 1), filtered.row(y), filtered.row(y + 1));
    for x in x0.max(1)..(x0 + limit.len()).min(width - 1) {
        let (v, limit) = (here[x], limit[x - x0]);
        let highest = v > BESIDE * limit
            && [up[x - 1], up[x], up[x + 1], here[x - 1]].iter().all(|o| v > *o)
            && [here[x + 1], down[x - 1], down[x], down[x + 1]]
                .iter()
                .all(|o| v >= *o);
        if !highest {
            continue;
        }
        let top = v + rise(here[x - 1], v, here[x + 1]) + rise(up[x], v, down[x]);
        if top > limit {
            found.push(Peak {
                x,
                y,
                value: top,
                snr: sigma * top / limit.max(f32::MIN_POSITIVE),
                cx: x as f64,
                cy: y as f64,
                saturated_radius: 0.0,
            });
        }
    }
}

/// How far a parabola through three values rises above the middle one.
fn rise(before: f32, middle: f32, after: f32) -> f32 {
    let (slope, bend) = (0.5 * (after - before), 2.0 * middle - before - after);
    if bend > 0.0 {
        0.5 * slope * slope / bend
    } else {
        0.0
    }
}

/// Pixels of a burnt-out core followed at most; a lamp or a moon is larger and no star.
const MAX_CORE: usize = 40_000;

/// Makes one peak of all those that stand on or beside the same burnt-out core, at its middle.
pub(crate) fn merge_saturated(image: &Plane, peaks: Vec<Peak>, saturation: f32, sigma: f64) -> Vec<Peak> {
    let mut seen: HashSet<(usize, usize)> = HashSet::new();
    let mut out = Vec::with_capacity(peaks.len());
    let reach = (1.5 * sigma).ceil() as usize;
    for mut peak in peaks {
        match near_saturated(image, peak.x, peak.y, reach, saturation) {
            None => out.push(peak),
            Some(seed) if seen.contains(&seed) => {}
            Some(seed) => {
                let core = flood(image, seed, saturation, &mut seen);
                if core.len() < MAX_CORE {
                    let n = core.len() as f64;
                    peak.cx = core.iter().map(|p| p.0 as f64).sum::<f64>() / n;
                    peak.cy = core.iter().map(|p| p.1 as f64).sum::<f64>() / n;
                    peak.saturated_radius = (n / std::f64::consts::PI).sqrt();
                    out.push(peak);
                }
            }
        }
    }
    out
}

fn near_saturated(
    image: &Plane,
    x: usize,
    y: usize,
    reach: usize,
    saturation: f32,
) -> Option<(usize, usize)> {
    if image.at(x, y) >= saturation {
        return Some((x, y));
    }
    for py in y.saturating_sub(reach)..(y + reach + 1).min(image.height()) {
        for px in x.saturating_sub(reach)..(x + reach + 1).min(image.width()) {
            if image.at(px, py) >= saturation {
                return Some((px, py));
            }
        }
    }
    None
}

fn flood(
    image: &Plane,
    seed: (usize, usize),
    saturation: f32,
    seen: &mut HashSet<(usize, usize)>,
) -> Vec<(usize, usize)> {
    let mut core = vec![seed];
    seen.insert(seed);
    let mut next = 0;
    while next < core.len() && core.len() < MAX_CORE {
        let (x, y) = core[next];
        next += 1;
        for (px, py) in [
            (x.wrapping_sub(1), y),
            (x + 1, y),
            (x, y.wrapping_sub(1)),
            (x, y + 1),
        ] {
            if px < image.width()
                && py < image.height()
                && image.at(px, py) >= saturation
                && seen.insert((px, py))
            {
                core.push((px, py));
            }
        }
    }
    core
}

/// Drops peaks that no dip separates from a brighter one nearby: ripples of noise on its wings.
///
/// Wants the peaks brightest first and keeps that order.
pub(crate) fn separate(filtered: &Plane, noise: &Background, peaks: Vec<Peak>, sigma: f64) -> Vec<Peak> {
    let cell = (8.0 * sigma).max(8.0);
    let key = |x: f64, y: f64| ((x / cell) as i64, (y / cell) as i64);
    let mut grid: HashMap<(i64, i64), Vec<usize>> = HashMap::new();
    let mut kept: Vec<Peak> = Vec::with_capacity(peaks.len());
    for peak in peaks {
        let (kx, ky) = key(peak.cx, peak.cy);
        let reach =
            (1..=1).flat_map(|r| (-r..=r).flat_map(move |dy| (-r..=r).map(move |dx| (kx + dx, ky + dy))));
        let on_wing = reach
            .filter_map(|k| grid.get(&k))
            .flatten()
            .any(|&i| on_wing_of(filtered, noise, &peak, &kept[i], sigma));
        if !on_wing {
            grid.entry((kx, ky)).or_default().push(kept.len());
            kept.push(peak);
        }
    }
    kept
}

fn on_wing_of(filtered: &Plane, noise: &Background, peak: &Peak, star: &Peak, sigma: f64) -> bool {
    let (dx, dy) = (star.cx - peak.x as f64, star.cy - peak.y as f64);
    let distance = dx.hypot(dy);
    if distance > 8.0 * sigma + 1.5 * star.saturated_radius {
        return false;
    }
    let steps = distance.ceil().max(1.0) as usize;
    let lowest = (0..=steps)
        .map(|i| {
            let t = i as f64 / steps as f64;
            filtered.at(
                (peak.x as f64 + t * dx).round() as usize,
                (peak.y as f64 + t * dy).round() as usize,
            )
        })
        .fold(f32::INFINITY, f32::min);
    let dip = (0.04 * peak.value).max(2.0 * noise.noise_at(peak.x as f64, peak.y as f64));
    lowest > filtered.at(peak.x, peak.y) - dip
}
