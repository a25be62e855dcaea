//! Straight lines too faint, or among stars too thick, for their pixels to be told apart one by one.
//!
//! The matched filter's plane is clipped, so that stars count little, binned and made even; lines that stand out
//! among all ([`crate::radon`]) are traced in the frame itself: where the light lies across each stretch, a straight
//! line through those places, and how far along it the light goes on. Limits are common practice, no source.

use nightloom_fit::{Normal, median_of};
use nightloom_raster::Plane;
use rayon::prelude::*;

use crate::components::{Component, Components};
use crate::line::Line;
use crate::radon::{Found, LineMap};
use crate::{Background, LandMask};

/// Bins along the longer side.
const SIDE: usize = 512;
/// Values are clipped there, standard deviations.
const CLIP: f32 = 3.0;
/// So near a frame's edge the background is carried on and its bends pass for lines, pixels.
const EDGE_PX: f64 = 40.0;
/// Standard deviation of a patch along its long axis, in those of a star, up to which it is stars, not a line.
const ROUND: f64 = 3.0;
/// Bins of a cell over which the map is made even.
const EVEN: usize = 16;
/// Score from which a line counts.
const SURE: f32 = 6.5;
/// Lines of a frame at most, and how many may turn out to be none.
const MOST: usize = 8;
const IN_VAIN: usize = 3;
/// Score up to which one that turns out to be none is the last.
const DOUBTFUL: f32 = 8.5;
/// Bins on either side that are a line's own.
const OWN: f64 = 3.0;
/// Stretches that a line is traced in.
const STRETCHES: usize = 16;
/// Places along a stretch that are read at most, and how many of them share the sky's level.
const MOST_PLACES: f64 = 240.0;
const SKY_STEPS: usize = 12;
/// Signal over noise of a stretch that counts.
const STRETCH_SNR: f64 = 4.0;
/// Part of the stretches that must count.
const TRACED: f64 = 0.5;
/// Signal over noise of a line as a whole that counts.
const LINE_SNR: f32 = 25.0;

/// A map of one frame that faint lines are looked for in.
pub(crate) struct FaintLines {
    bin: usize,
    plane: Plane,
}

impl FaintLines {
    /// Bins the filtered plane less what stands in round `patches`, every second or third row of large frames;
    /// `noise` is the filtered plane's and `sigma` the stars' width.
    pub(crate) fn new(filtered: &Plane, noise: &Background, patches: &Components, sigma: f64) -> Self {
        let (width, height) = (filtered.width(), filtered.height());
        let bin = width.max(height).div_ceil(SIDE).max(1);
        let (columns, rows) = (width / bin, height / bin);
        let step = (bin / 4).max(1);
        let round = |p: &Component| p.moments.axes().0 < (ROUND * sigma).powi(2);
        let mut plane = Plane::filled(columns.max(1), rows.max(1), 0.0);
        plane
            .data_mut()
            .par_chunks_mut(columns.max(1))
            .enumerate()
            .for_each(|(row, out)| {
                let middle = (row * bin + bin / 2) as f64;
                let limits: Vec<f32> = (0..columns)
                    .map(|c| CLIP * noise.noise_at((c * bin + bin / 2) as f64, middle))
                    .collect();
                for y in (row * bin..((row + 1) * bin).min(height)).step_by(step) {
                    let values = filtered.row(y);
                    for ((out, values), limit) in out.iter_mut().zip(values.chunks_exact(bin)).zip(&limits) {
                        let sum: f32 = values.iter().map(|v| v.clamp(-limit, *limit)).sum();
                        *out += sum / limit;
                    }
                    for (x0, x1, _) in patches.row(y).filter(|(_, _, p)| round(p)) {
                        for x in x0..x1.min(columns * bin) {
                            let limit = limits[x / bin];
                            out[x / bin] -= values[x].clamp(-limit, limit) / limit;
                        }
                    }
                }
            });
        Self { bin, plane }
    }

    /// The lines, clearest first.
    pub(crate) fn find(
        self,
        image: &Plane,
        background: &Background,
        sigma: f64,
        land: &LandMask,
    ) -> Vec<Line> {
        // The background bends beside land.
        let near_land = land.grown(background.mesh_px.div_ceil(land.cell_px.max(1)));
        let mut map = self.even(&near_land);
        let (mut lines, mut in_vain) = (Vec::new(), 0);
        while lines.len() < MOST && in_vain < IN_VAIN {
            let Some(found) = map.strongest().filter(|f| f.score > SURE) else {
                break;
            };
            match self.trace(&found, image, background, sigma) {
                Some(line) => lines.push(line),
                None if found.score < DOUBTFUL => break,
                None => in_vain += 1,
            }
            map.clear(found.ends, OWN);
        }
        lines
    }

    /// The map less its local mean, in local standard deviations; nothing where there is land.
    fn even(&self, land: &LandMask) -> LineMap {
        let (width, height) = (self.plane.width(), self.plane.height());
        let mut values = vec![0.0; width * height];
        values
            .par_chunks_mut(EVEN * width)
            .enumerate()
            .for_each(|(band, out)| {
                for x0 in (0..width).step_by(EVEN) {
                    let sky: Vec<[usize; 2]> = (0..out.len() / width)
                        .flat_map(|y| (x0..(x0 + EVEN).min(width)).map(move |x| [x, y]))
                        .filter(|[x, y]| {
                            let [cx, cy] = self.full([*x as f64, (band * EVEN + y) as f64]);
                            self.inside(cx, cy) && !land.is_land(cx, cy)
                        })
                        .collect();
                    let own: Vec<([f32; 2], f32)> = sky
                        .iter()
                        .map(|[x, y]| ([(x - x0) as f32, *y as f32], self.plane.at(*x, band * EVEN + y)))
                        .collect();
                    for ([x, y], value) in sky.into_iter().zip(evened(&own)) {
                        out[y * width + x] = value;
                    }
                }
            });
        LineMap {
            width,
            height,
            values,
        }
    }

    /// Whether a place of the frame is not at its edge.
    fn inside(&self, x: f64, y: f64) -> bool {
        let [width, height] = [self.plane.width(), self.plane.height()].map(|n| (n * self.bin) as f64);
        let edge = if width.min(height) > 10.0 * EDGE_PX {
            EDGE_PX
        } else {
            0.0
        };
        x > edge && y > edge && x < width - edge && y < height - edge
    }

    fn full(&self, at: [f64; 2]) -> [f64; 2] {
        at.map(|v| (v + 0.5) * self.bin as f64 - 0.5)
    }

    /// Follows a line of the map in the frame; `None` where it is not there.
    fn trace(&self, found: &Found, image: &Plane, background: &Background, sigma: f64) -> Option<Line> {
        let [from, to] = found.ends.map(|e| self.full(e));
        let rough = line_between(from, to, sigma);
        let reach = (1.5 * self.bin as f64 + 4.0 * sigma).ceil();
        let strips = Strips {
            image,
            background,
            sigma,
            reach,
        };
        let (line, width2) = strips.straightened(&rough)?;
        // Once more from nearby, for its width and its ends.
        let near = Strips {
            reach: 0.6 * reach + 3.0,
            ..strips
        };
        let (line, width2) = near.straightened(&line).unwrap_or((line, width2));
        let line = Line {
            across: width2,
            ..line
        };
        near.to_its_ends(&line).filter(|l| l.snr > LINE_SNR)
    }
}

/// Values at places of a cell less a plane through them, over their standard deviation, the highest clipped.
///
/// The mean, not the median: where stars stand thick, all lines would seem to shine.
fn evened(values: &[([f32; 2], f32)]) -> Vec<f32> {
    let mut plain: Vec<f32> = values.iter().map(|v| v.1).collect();
    let Some(stats) = crate::levels::clipped(&mut plain, CLIP).filter(|s| s.sigma > 0.0) else {
        return vec![0.0; values.len()];
    };
    let clip = |v: f32| ((v - stats.median) / stats.sigma).clamp(-CLIP, CLIP);
    let mut normal = Normal::with_ridge([1e-3; 3]);
    for ([x, y], v) in values {
        normal.add([1.0, f64::from(*x), f64::from(*y)], f64::from(clip(*v)), 1.0);
    }
    let plane = normal.solve().unwrap_or_default().cast::<f32>();
    let mut rest: Vec<f32> = values
        .iter()
        .map(|([x, y], v)| clip(*v) - (plane[0] + plane[1] * x + plane[2] * y))
        .collect();
    let square = rest.iter().map(|v| v * v).sum::<f32>() / rest.len() as f32;
    rest.iter_mut().for_each(|v| *v /= square.sqrt().max(1e-3));
    rest
}

fn line_between([x0, y0]: [f64; 2], [x1, y1]: [f64; 2], sigma: f64) -> Line {
    Line {
        x: 0.5 * (x0 + x1),
        y: 0.5 * (y0 + y1),
        angle: (y1 - y0).atan2(x1 - x0),
        half: 0.5 * (x1 - x0).hypot(y1 - y0),
        across: 2.0 * sigma * sigma,
        snr: 0.0,
        pieces: 1,
    }
}

/// Reads the light across stretches of a line.
struct Strips<'a> {
    image: &'a Plane,
    background: &'a Background,
    sigma: f64,
    /// How far to either side, pixels.
    reach: f64,
}

impl Strips<'_> {
    /// Mean light, clipped, in noise, by offset from −reach to reach, along a stretch from `t0` to `t1`; and how
    /// many places each rests on.
    fn profile(&self, line: &Line, t0: f64, t1: f64) -> (Vec<f64>, f64) {
        let (s, c) = line.angle.sin_cos();
        let count = (2.0 * self.reach) as usize + 1;
        let mut sums = vec![0.0f32; count];
        let (width, height) = (self.image.width() as isize, self.image.height() as isize);
        let stride = ((t1 - t0) / MOST_PLACES).max(1.0);
        let steps = ((t1 - t0) / stride).max(1.0) as usize;
        let (mut places, mut sky) = (0.0f64, (0.0f32, 1.0f32));
        for i in 0..steps {
            let t = t0 + (i as f64 + 0.5) * stride;
            let (x, y) = (line.x + t * c, line.y + t * s);
            if i % SKY_STEPS == 0 {
                sky = (
                    self.background.level_at(x, y),
                    1.0 / self.background.noise_at(x, y),
                );
            }
            if !(x >= 0.0 && y >= 0.0 && x < width as f64 && y < height as f64) {
                continue;
            }
            places += 1.0;
            let (x, y) = (
                (x + self.reach * s + 0.5) as f32,
                (y - self.reach * c + 0.5) as f32,
            );
            let (dx, dy) = (-s as f32, c as f32);
            for (k, sum) in sums.iter_mut().enumerate() {
                let (px, py) = (
                    (x + k as f32 * dx).floor() as isize,
                    (y + k as f32 * dy).floor() as isize,
                );
                if px >= 0 && py >= 0 && px < width && py < height {
                    let v = (self.image.at(px as usize, py as usize) - sky.0) * sky.1;
                    *sum += v.clamp(-CLIP, 2.0 * CLIP);
                }
            }
        }
        let mut sums: Vec<f64> = sums.into_iter().map(f64::from).collect();
        sums.iter_mut().for_each(|v| *v /= places.max(1.0));
        // Beside the line is nothing: its median is the sky.
        let mut sorted = sums.clone();
        sorted.sort_by(f64::total_cmp);
        let sky = sorted[sorted.len() / 3];
        sums.iter_mut().for_each(|v| *v -= sky);
        (sums, places)
    }

    /// The offset of the light across, smoothed by the stars' width, and its signal over noise.
    fn peak(&self, profile: &[f64], places: f64) -> Option<(f64, f64)> {
        let half = self.sigma.round().max(1.0) as usize;
        let wide = (2 * half + 1) as f64;
        let smooth: Vec<f64> = profile
            .windows(2 * half + 1)
            .map(|w| w.iter().sum::<f64>() / wide)
            .collect();
        let (at, top) = smooth
            .iter()
            .enumerate()
            .max_by(|a, b| a.1.total_cmp(b.1))
            .map(|(i, v)| (i, *v))?;
        let snr = top * (places * wide).sqrt();
        // A parabola through the highest three.
        let shift = match (at.checked_sub(1).map(|i| smooth[i]), smooth.get(at + 1)) {
            (Some(a), Some(b)) => {
                let bend = a - 2.0 * top + b;
                if bend < 0.0 { 0.5 * (a - b) / bend } else { 0.0 }
            }
            _ => 0.0,
        };
        Some(((at + half) as f64 + shift.clamp(-0.5, 0.5) - self.reach, snr))
    }

    /// A straight line through where the light lies, and its variance across.
    fn straightened(&self, line: &Line) -> Option<(Line, f64)> {
        let step = 2.0 * line.half / STRETCHES as f64;
        let places: Vec<(f64, f64, f64)> = (0..STRETCHES)
            .filter_map(|i| {
                let t0 = -line.half + i as f64 * step;
                let (profile, places) = self.profile(line, t0, t0 + step);
                let (offset, snr) = self.peak(&profile, places)?;
                (snr > STRETCH_SNR).then_some((t0 + 0.5 * step, offset, snr.min(30.0)))
            })
            .collect();
        let (offset, slope, kept) = straight(&places, self.sigma)?;
        if (kept as f64) < TRACED * STRETCHES as f64 {
            return None;
        }
        let (s, c) = line.angle.sin_cos();
        let turned = Line {
            x: line.x - offset * s,
            y: line.y + offset * c,
            angle: line.angle + slope.atan(),
            ..*line
        };
        let (profile, _) = self.profile(&turned, -turned.half, turned.half);
        Some((turned, self.variance(&profile)))
    }

    /// Of a profile, from its width at half its height.
    fn variance(&self, profile: &[f64]) -> f64 {
        let middle = self.reach as usize;
        let top = profile[middle.saturating_sub(1)..(middle + 2).min(profile.len())]
            .iter()
            .copied()
            .fold(0.0, f64::max);
        let edge = |step: isize| {
            let mut at = middle as isize;
            let mut last = top;
            loop {
                let Some(&v) = usize::try_from(at).ok().and_then(|i| profile.get(i)) else {
                    return (at - middle as isize).abs() as f64;
                };
                if v < 0.5 * top {
                    let part = if last > v {
                        (last - 0.5 * top) / (last - v)
                    } else {
                        1.0
                    };
                    return ((at - middle as isize).abs() as f64 - 1.0 + part).max(0.5);
                }
                last = v;
                at += step;
            }
        };
        let fwhm = edge(1) + edge(-1);
        (fwhm / crate::shape::FWHM_PER_SIGMA)
            .powi(2)
            .max(0.5 * self.sigma * self.sigma)
    }

    /// The run of stretches that shine, over the whole frame, its ends in finer steps.
    fn to_its_ends(&self, line: &Line) -> Option<Line> {
        let (s, c) = line.angle.sin_cos();
        let far = (self.image.width() as f64).hypot(self.image.height() as f64);
        let step = (line.half / 16.0).clamp(8.0, 40.0);
        let lights = self.lights(line, -far, far, step);
        let own = lights.iter().filter(|(t, _)| t.abs() < line.half).map(|l| l.1);
        let usual = median_of(own).filter(|v| *v > 0.0)?;
        let (from, to) = brightest_run(&lights, usual)?;
        let fine = (step / 5.0).max(2.0);
        let lights = self.lights(line, from - step, to + 2.0 * step, fine);
        let (from, to) = brightest_run(&lights, usual)?;
        let to = to + fine;
        let middle = 0.5 * (from + to);
        let wide = 2.0 * line.across.sqrt().round().max(1.0) + 1.0;
        Some(Line {
            x: line.x + middle * c,
            y: line.y + middle * s,
            half: 0.5 * (to - from),
            snr: (usual * (wide * (to - from)).sqrt()) as f32,
            ..*line
        })
    }

    /// Beginning and light of each step along a line that lies within the frame.
    fn lights(&self, line: &Line, t0: f64, t1: f64, step: f64) -> Vec<(f64, f64)> {
        let middle = self.reach as usize;
        let half = line.across.sqrt().round().max(1.0) as usize;
        let light = |t: f64| {
            let (profile, places) = self.profile(line, t, t + step);
            let own = profile.get(middle.saturating_sub(half)..middle + half + 1)?;
            (places >= 0.5 * step).then(|| own.iter().sum::<f64>() / own.len() as f64)
        };
        (0..((t1 - t0) / step) as usize)
            .map(|i| t0 + i as f64 * step)
            .filter_map(|t| Some((t, light(t)?)))
            .collect()
    }
}

/// Beginnings of the first and the last step of the run that shines most against the `usual` light.
fn brightest_run(lights: &[(f64, f64)], usual: f64) -> Option<(f64, f64)> {
    let (mut best, mut sum, mut start) = ((0.0, 0, 0), 0.0, 0);
    for (i, (_, light)) in lights.iter().enumerate() {
        if sum <= 0.0 {
            (sum, start) = (0.0, i);
        }
        sum += (light / usual).clamp(-0.5, 1.2) - 0.4;
        if sum > best.0 {
            best = (sum, start, i);
        }
    }
    Some((lights.get(best.1)?.0, lights.get(best.2)?.0))
}

/// Offset, slope and how many places lie on the straight line through most of them.
fn straight(places: &[(f64, f64, f64)], sigma: f64) -> Option<(f64, f64, usize)> {
    let near = 1.5 * sigma + 1.0;
    let mut best: Option<(usize, f64, f64)> = None;
    for (i, a) in places.iter().enumerate() {
        for b in &places[i + 1..] {
            let slope = (b.1 - a.1) / (b.0 - a.0);
            let offset = a.1 - slope * a.0;
            let on = places
                .iter()
                .filter(|p| (p.1 - offset - slope * p.0).abs() < near)
                .count();
            if best.is_none_or(|(most, _, _)| on > most) {
                best = Some((on, offset, slope));
            }
        }
    }
    let (_, offset, slope) = best?;
    let on: Vec<&(f64, f64, f64)> = places
        .iter()
        .filter(|p| (p.1 - offset - slope * p.0).abs() < near)
        .collect();
    let sum = |f: &dyn Fn(&(f64, f64, f64)) -> f64| on.iter().map(|p| p.2 * f(p)).sum::<f64>();
    let w = sum(&|_| 1.0);
    let (mt, mo) = (sum(&|p| p.0) / w, sum(&|p| p.1) / w);
    let lever = sum(&|p| (p.0 - mt).powi(2));
    if on.len() < 3 || lever <= 0.0 {
        return None;
    }
    let slope = sum(&|p| (p.0 - mt) * (p.1 - mo)) / lever;
    Some((mo - slope * mt, slope, on.len()))
}
