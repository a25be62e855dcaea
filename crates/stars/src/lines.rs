//! Long straight lines among the pixels that stand out, where stars stand too thick for patches to be told apart.
//!
//! Every such pixel votes for all lines through it, by direction and distance from the middle (Hough 1962; Duda &
//! Hart 1972, CACM 15, 11). Where a line has far more votes than those beside it, the stretch of it that is lit is
//! cut out. Limits are common practice, no source.

use crate::components::Components;

/// Pixels of the longer side that votes are counted in; larger frames are binned.
const SIDE: usize = 1500;
/// Directions in half a turn.
const DIRECTIONS: usize = 540;
/// Width of a step in distance, binned pixels.
const STEP: f64 = 2.0;
/// Pixels that vote at most.
const VOTERS: usize = 40_000;
/// Steps in distance on either side that a line is compared with, but for the nearest.
const BESIDE: std::ops::RangeInclusive<usize> = 4..=10;
/// How many votes of chance come together: stars are patches, not pixels.
const CLUMP: f64 = 12.0;
/// Deviations of chance from which a line counts.
const SURE: f64 = 7.0;
/// Lines of a frame at most.
const MOST: usize = 8;
/// Part of a stretch that is lit at least.
const LIT: f64 = 0.6;
/// Part of all pixels that stand out, from which on stars stand thick.
const CROWDED: f64 = 0.03;
/// Pixels beside a line that are taken for its own.
const OWN: f64 = 6.0;
/// A line so near the frame's edge is the edge's, binned pixels.
const EDGE: f64 = 4.0;

/// A straight stretch, pixels of the frame.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Stretch {
    pub(crate) from: [f64; 2],
    pub(crate) to: [f64; 2],
}

/// What stands out in a frame.
pub(crate) struct Crowd {
    bin: usize,
    map: Map,
}

impl Crowd {
    pub(crate) fn new(
        patches: &Components,
        [width, height]: [usize; 2],
        is_land: &dyn Fn(f64, f64) -> bool,
    ) -> Self {
        let bin = width.max(height).div_ceil(SIDE).max(1);
        let mut map = Map::new(width.div_ceil(bin), height.div_ceil(bin));
        for (y, x0, x1) in patches.runs() {
            for x in (x0..x1).filter(|x| !is_land(*x as f64, y as f64)) {
                map.set(x / bin, y / bin);
            }
        }
        Self { bin, map }
    }

    /// Whether stars stand so thick that chains of them pass for streaks.
    pub(crate) fn is_crowded(&self) -> bool {
        let lit = self.map.lit.iter().filter(|lit| **lit).count();
        lit as f64 > CROWDED * self.map.lit.len() as f64
    }

    fn binned(&self, p: [f64; 2]) -> [f64; 2] {
        p.map(|v| (v + 0.5) / self.bin as f64 - 0.5)
    }

    /// Whether a stretch is lit nearly all along.
    pub(crate) fn is_lit(&self, stretch: &Stretch) -> bool {
        let [from, to] = [self.binned(stretch.from), self.binned(stretch.to)];
        let steps = (to[0] - from[0]).hypot(to[1] - from[1]).ceil().max(1.0);
        let part = |i: usize, k: usize| from[k] + (to[k] - from[k]) * i as f64 / steps;
        let lit = (0..=steps as usize).filter(|i| self.map.near(part(*i, 0), part(*i, 1)) == Some(true));
        lit.count() as f64 > LIT * (steps + 1.0)
    }

    /// The lit stretches of at least `least_px`, the clearest first.
    pub(crate) fn stretches(&self, least_px: f64) -> Vec<Stretch> {
        let least = least_px / self.bin as f64;
        let points = self.map.points();
        let thin = points.len().div_ceil(VOTERS).max(1);
        let points = points.into_iter().step_by(thin).collect();
        let full = |p: [f64; 2]| p.map(|v| (v + 0.5) * self.bin as f64 - 0.5);
        stretches(&self.map, points, least, thin as f64)
            .into_iter()
            .map(|[from, to]| Stretch {
                from: full(from),
                to: full(to),
            })
            .collect()
    }
}

/// Of `points`, each stands for `thin`.
fn stretches(map: &Map, mut points: Vec<[f64; 2]>, least: f64, thin: f64) -> Vec<[[f64; 2]; 2]> {
    let mut votes = Votes::new(map);
    points.iter().for_each(|p| votes.put(*p, 1));
    let mut found = Vec::new();
    for _ in 0..MOST {
        let Some((direction, distance)) = votes.best(least / thin) else {
            break;
        };
        let (on, off): (Vec<[f64; 2]>, Vec<[f64; 2]>) = points
            .into_iter()
            .partition(|p| (votes.distance(*p, direction) - distance).abs() < OWN);
        on.iter().for_each(|p| votes.put(*p, -1));
        points = off;
        found.extend(map.stretch(votes.line(direction, distance), least));
    }
    found
}

/// Which binned pixels stand out.
struct Map {
    width: usize,
    height: usize,
    lit: Vec<bool>,
}

impl Map {
    fn new(width: usize, height: usize) -> Self {
        Self {
            width,
            height,
            lit: vec![false; width * height],
        }
    }

    fn set(&mut self, x: usize, y: usize) {
        self.lit[y * self.width + x] = true;
    }

    fn points(&self) -> Vec<[f64; 2]> {
        let place = |i: usize| [(i % self.width) as f64, (i / self.width) as f64];
        let lit = self.lit.iter().enumerate().filter(|(_, lit)| **lit);
        lit.map(|(i, _)| place(i)).collect()
    }

    /// Whether a place or one of its four neighbours is lit; `None` outside.
    fn near(&self, x: f64, y: f64) -> Option<bool> {
        let (x, y) = (x.round(), y.round());
        let inside = x >= 0.0 && y >= 0.0 && x < self.width as f64 && y < self.height as f64;
        inside.then(|| {
            let at = |dx: isize, dy: isize| {
                let (x, y) = (x as isize + dx, y as isize + dy);
                let inside = x >= 0 && y >= 0 && x < self.width as isize && y < self.height as isize;
                inside && self.lit[y as usize * self.width + x as usize]
            };
            at(0, 0) || at(1, 0) || at(-1, 0) || at(0, 1) || at(0, -1)
        })
    }

    /// The part of a line that is lit most: the run of greatest sum, dark steps counting against it.
    fn stretch(&self, line: Line, least: f64) -> Option<[[f64; 2]; 2]> {
        let half = (self.width as f64).hypot(self.height as f64) / 2.0;
        let steps: Vec<(f64, bool)> = (0..=(2.0 * half) as usize)
            .map(|i| i as f64 - half)
            .filter_map(|t| {
                let [x, y] = line.at(t);
                Some((t, self.near(x, y)?))
            })
            .collect();
        let value = |lit: bool| if lit { 1.0 - LIT } else { -LIT };
        let (mut best, mut sum, mut start) = ((0.0, 0, 0), 0.0, 0);
        for (i, (_, lit)) in steps.iter().enumerate() {
            if sum <= 0.0 {
                (sum, start) = (0.0, i);
            }
            sum += value(*lit);
            if sum > best.0 {
                best = (sum, start, i);
            }
        }
        let (_, from, to) = best;
        let (first, last) = (steps.get(from)?.0, steps.get(to)?.0);
        let ends = [line.at(first), line.at(last)];
        let far = |v: f64, n: usize| v > EDGE && v < n as f64 - 1.0 - EDGE;
        let inside = |k: usize, n: usize| ends.iter().any(|e| far(e[k], n));
        let off_edges = inside(0, self.width) && inside(1, self.height);
        (off_edges && last - first >= least).then_some(ends)
    }
}

/// A line by a point of it and its direction.
#[derive(Clone, Copy)]
struct Line {
    point: [f64; 2],
    way: [f64; 2],
}

impl Line {
    fn at(&self, t: f64) -> [f64; 2] {
        [self.point[0] + t * self.way[0], self.point[1] + t * self.way[1]]
    }
}

/// Votes by direction and distance.
struct Votes {
    middle: [f64; 2],
    /// Cosine and sine of each direction's normal.
    normals: Vec<[f64; 2]>,
    distances: usize,
    count: Vec<i32>,
}

impl Votes {
    fn new(map: &Map) -> Self {
        let diagonal = (map.width as f64).hypot(map.height as f64);
        let distances = (diagonal / STEP).ceil() as usize + 2;
        let normal = |i: usize| {
            let (s, c) = (std::f64::consts::PI * i as f64 / DIRECTIONS as f64).sin_cos();
            [c, s]
        };
        Self {
            middle: [0.5 * map.width as f64, 0.5 * map.height as f64],
            normals: (0..DIRECTIONS).map(normal).collect(),
            distances,
            count: vec![0; DIRECTIONS * distances],
        }
    }

    fn distance(&self, point: [f64; 2], direction: usize) -> f64 {
        let [c, s] = self.normals[direction];
        (point[0] - self.middle[0]) * c + (point[1] - self.middle[1]) * s
    }

    fn put(&mut self, point: [f64; 2], votes: i32) {
        let half = 0.5 * self.distances as f64;
        for direction in 0..DIRECTIONS {
            let step = (self.distance(point, direction) / STEP + half) as usize;
            self.count[direction * self.distances + step.min(self.distances - 1)] += votes;
        }
    }

    /// The line that stands out most from those beside it, by direction and distance.
    fn best(&self, least: f64) -> Option<(usize, f64)> {
        let mut best = (SURE, None);
        for direction in 0..DIRECTIONS {
            let row = &self.count[direction * self.distances..][..self.distances];
            for step in *BESIDE.end()..self.distances - BESIDE.end() {
                let votes = f64::from(row[step]);
                if votes < LIT * least {
                    continue;
                }
                let beside: i32 = BESIDE.map(|k| row[step - k] + row[step + k]).sum();
                let mean = f64::from(beside) / (2 * BESIDE.count()) as f64;
                let sure = (votes - mean) / (CLUMP * (mean + 1.0)).sqrt();
                if sure > best.0 {
                    let distance = (step as f64 + 0.5 - 0.5 * self.distances as f64) * STEP;
                    best = (sure, Some((direction, distance)));
                }
            }
        }
        best.1
    }

    fn line(&self, direction: usize, distance: f64) -> Line {
        let [c, s] = self.normals[direction];
        Line {
            point: [self.middle[0] + distance * c, self.middle[1] + distance * s],
            way: [-s, c],
        }
    }
}
