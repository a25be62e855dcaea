//! What crosses a frame: satellites, an aircraft, a meteor, thin cloud.

use nightloom_raster::Plane;

use crate::scenario::Scenario;
use crate::sensor::{PHOTONS_OF_V0, THROUGHPUT};
use crate::shots::Shot;
use crate::splat::{Flash, Trail};
use crate::texture::{Texture, smoothstep};
use nightloom_fit::Random;

/// Kinds of streak.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PaintedStreakKind {
    /// A thin steady line.
    Satellite,
    /// Steady and flashing coloured lights.
    Aircraft,
    /// A short line that swells and fades.
    Meteor,
}

/// A straight streak over a frame.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct PaintedStreak {
    /// What made it.
    pub kind: PaintedStreakKind,
    /// Where it begins and ends, pixels.
    pub from_px: [f64; 2],
    /// Where it ends, pixels.
    pub to_px: [f64; 2],
    /// Full width in which it is drawn, pixels (lights apart, and the image of a point).
    pub width_px: f64,
}

/// Streaks and the trails that draw them.
pub(crate) struct Crossing {
    pub(crate) streak: PaintedStreak,
    pub(crate) trails: Vec<Trail>,
}

/// Electrons of a light of this magnitude that shines for this long.
fn electrons(mag: f64, seconds: f64, area_cm2: f64) -> f64 {
    PHOTONS_OF_V0 * 10f64.powf(-0.4 * mag) * area_cm2 * THROUGHPUT * seconds
}

/// All that crosses a sky frame.
pub(crate) fn crossings(scenario: &Scenario, shot: &Shot, area_cm2: f64, sigma: f64) -> Vec<Crossing> {
    let mishaps = &scenario.mishaps;
    let mut found = satellites(scenario, shot, area_cm2, sigma);
    let mut random = Random::stream(scenario.seed, 0xa1c + shot.stream(), 0);
    if mishaps.aircraft == Some(shot.index) {
        found.push(aircraft(scenario, shot, area_cm2, sigma, &mut random));
    }
    if mishaps.meteor == Some(shot.index) {
        found.push(meteor(scenario, area_cm2, sigma, &mut random));
    }
    found
}

fn line(from: [f64; 2], to: [f64; 2], light: [f64; 3], sigma: f64) -> Trail {
    let mut trail = Trail::point(from, light, sigma);
    trail.knots.push(to.map(|v| v as f32));
    trail
}

fn satellites(scenario: &Scenario, shot: &Shot, area_cm2: f64, sigma: f64) -> Vec<Crossing> {
    let mut random = Random::stream(scenario.seed, 0x5a7, 0);
    let (width, height) = scenario.size.pixels();
    let (w, h) = (width as f64, height as f64);
    let mut found = Vec::new();
    for _ in 0..scenario.mishaps.satellites {
        let frame = (random.uniform() * scenario.counts.sky as f64) as usize;
        let middle = [random.between(0.1, 0.9) * w, random.between(0.05, 0.7) * h];
        let towards = random.uniform() * std::f64::consts::TAU;
        let length = random.between(0.25, 1.1) * w;
        let mag = random.between(1.4, 4.6);
        if frame != shot.index {
            continue;
        }
        let (sin, cos) = towards.sin_cos();
        let end = |k: f64| [middle[0] + k * length * cos, middle[1] + k * length * sin];
        // About 0.6° a second through a field 74° wide.
        let seconds = length / w * 74.0 / 0.6;
        let light = electrons(mag, seconds.min(shot.exposure.seconds), area_cm2);
        let trail = line(end(-0.5), end(0.5), [1.02 * light, light, 0.9 * light], sigma);
        let streak = PaintedStreak {
            kind: PaintedStreakKind::Satellite,
            from_px: end(-0.5),
            to_px: end(0.5),
            width_px: 6.0 * sigma,
        };
        found.push(Crossing {
            streak,
            trails: vec![trail],
        });
    }
    found
}

/// Two wing lights and a flashing one, from edge to edge in half a minute.
fn aircraft(scenario: &Scenario, shot: &Shot, area_cm2: f64, sigma: f64, random: &mut Random) -> Crossing {
    let (width, height) = scenario.size.pixels();
    let (w, h) = (width as f64, height as f64);
    let from = [-0.02 * w, random.between(0.30, 0.45) * h];
    let to = [1.02 * w, random.between(0.12, 0.3) * h];
    let apart = 3.2 * w / 6000.0 + 0.8;
    let seconds = (0.4 * shot.exposure.seconds).min(38.0);
    let along = [to[0] - from[0], to[1] - from[1]];
    let length = along[0].hypot(along[1]);
    let beside = |p: [f64; 2], k: f64| [p[0] - k * along[1] / length, p[1] + k * along[0] / length];
    let steady = electrons(1.6, seconds, area_cm2);
    let flash = electrons(-2.2, seconds * 0.05, area_cm2);
    let red = line(
        beside(from, apart),
        beside(to, apart),
        [steady, 0.16 * steady, 0.03 * steady],
        sigma,
    );
    let green = line(
        beside(from, -apart),
        beside(to, -apart),
        [0.10 * steady, 0.9 * steady, 0.35 * steady],
        sigma,
    );
    let mut strobe = line(from, to, [20.0 * flash; 3], 1.25 * sigma);
    strobe.flash = Some(Flash {
        period: (1.15 / seconds) as f32,
        on: (0.05 / seconds) as f32,
        phase: 0.0,
    });
    let mut beacon = line(from, to, [9.0 * flash, 1.2 * flash, 0.3 * flash], 1.1 * sigma);
    beacon.flash = Some(Flash {
        period: (1.15 / seconds) as f32,
        on: (0.09 / seconds) as f32,
        phase: (0.5 / seconds) as f32,
    });
    let streak = PaintedStreak {
        kind: PaintedStreakKind::Aircraft,
        from_px: from,
        to_px: to,
        width_px: 2.0 * apart + 7.0 * sigma,
    };
    Crossing {
        streak,
        trails: vec![red, green, strobe, beacon],
    }
}

fn meteor(scenario: &Scenario, area_cm2: f64, sigma: f64, random: &mut Random) -> Crossing {
    let (width, height) = scenario.size.pixels();
    let (w, h) = (width as f64, height as f64);
    let from = [random.between(0.55, 0.75) * w, random.between(0.08, 0.2) * h];
    let to = [from[0] + 0.11 * w, from[1] + 0.15 * h];
    let total = electrons(-1.0, 0.5, area_cm2);
    let parts = 24;
    let at = |t: f64| [from[0] + (to[0] - from[0]) * t, from[1] + (to[1] - from[1]) * t];
    let trails = (0..parts)
        .map(|i| {
            let t = (f64::from(i) + 0.5) / f64::from(parts);
            // Swells slowly, ends soon after its brightest; green early, then white.
            let swell = t.powf(1.6) * (1.0 - t.powi(8));
            let light = total * swell / (0.32 * f64::from(parts));
            let green = 1.3 - 0.4 * t;
            let step = 0.5 / f64::from(parts);
            line(
                at(t - step),
                at(t + step),
                [0.75 * light, green * light, 0.85 * light],
                sigma,
            )
        })
        .collect();
    let streak = PaintedStreak {
        kind: PaintedStreakKind::Meteor,
        from_px: from,
        to_px: to,
        width_px: 6.0 * sigma,
    };
    Crossing { streak, trails }
}

/// Thin cloud over a frame: what it lets through, per pixel.
pub(crate) fn cloud(scenario: &Scenario, width: usize, height: usize) -> Plane {
    let texture = Texture::new(scenario.seed ^ 0xc10d);
    let (step, scale) = (8, 3.2 / width as f64);
    let (cols, rows) = (width.div_ceil(step) + 1, height.div_ceil(step) + 1);
    let nodes = Plane::from_fn(cols, rows, |x, y| {
        let (u, v) = ((x * step) as f64 * scale, (y * step) as f64 * scale);
        let veil = texture.fractal(u + 0.4 * v, 1.6 * v, 0.0, 5);
        let depth = 0.22 + 0.75 * smoothstep(-0.25, 0.75, veil);
        (-depth).exp() as f32
    });
    Plane::from_fn(width, height, |x, y| {
        let (cx, cy) = (x / step, y / step);
        let (tx, ty) = ((x % step) as f32 / step as f32, (y % step) as f32 / step as f32);
        let row = |y: usize| nodes.at(cx, y) * (1.0 - tx) + nodes.at(cx + 1, y) * tx;
        row(cy) * (1.0 - ty) + row(cy + 1) * ty
    })
}
