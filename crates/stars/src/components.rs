//! Connected pixels above a threshold, as runs joined by union-find.

use nightloom_raster::Plane;
use rayon::prelude::*;

use crate::Background;
use crate::peaks::{BESIDE, Peak, find_peaks};
use crate::shape::Moments;

/// One connected patch above the threshold.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Component {
    pub(crate) pixels: usize,
    pub(crate) x: f64,
    pub(crate) y: f64,
    pub(crate) moments: Moments,
    /// Highest filtered value over its local noise.
    pub(crate) snr: f32,
}

#[derive(Clone, Copy)]
struct Run {
    y: u32,
    x0: u32,
    x1: u32,
}

/// Components and the one each run belongs to, so that a pixel's component can be looked up.
pub(crate) struct Components {
    pub(crate) list: Vec<Component>,
    runs: Vec<Run>,
    owner: Vec<u32>,
    first_of_row: Vec<usize>,
}

impl Components {
    /// First pixel and the one after the last of each stretch above the threshold in row `y`, and its component.
    pub(crate) fn row(&self, y: usize) -> impl Iterator<Item = (usize, usize, &Component)> {
        let own = match (self.first_of_row.get(y), self.first_of_row.get(y + 1)) {
            (Some(from), Some(to)) => *from..*to,
            _ => 0..0,
        };
        own.map(|i| {
            let run = self.runs[i];
            (
                run.x0 as usize,
                run.x1 as usize,
                &self.list[self.owner[i] as usize],
            )
        })
    }

    /// The index of the component that holds pixel (x, y).
    pub(crate) fn at(&self, x: usize, y: usize) -> Option<usize> {
        let (from, to) = (*self.first_of_row.get(y)?, *self.first_of_row.get(y + 1)?);
        let row = &self.runs[from..to];
        let i = row.partition_point(|run| run.x1 as usize <= x);
        (i < row.len() && row[i].x0 as usize <= x).then(|| self.owner[from + i] as usize)
    }
}

/// Finds what stands above `sigma` times the local noise of `filtered`, and its peaks.
pub(crate) fn components(filtered: &Plane, noise: &Background, sigma: f32) -> (Components, Vec<Peak>) {
    let by_row: Vec<(Vec<Run>, Vec<Peak>)> = (0..filtered.height())
        .into_par_iter()
        .map(|y| scan_row(filtered, noise, y, sigma))
        .collect();
    let mut first_of_row = Vec::with_capacity(by_row.len() + 1);
    let mut runs = Vec::with_capacity(by_row.iter().map(|r| r.0.len()).sum());
    let mut peaks = Vec::with_capacity(by_row.iter().map(|r| r.1.len()).sum());
    for row in by_row {
        first_of_row.push(runs.len());
        runs.extend(row.0);
        peaks.extend(row.1);
    }
    first_of_row.push(runs.len());
    let owner = join(&runs, &first_of_row);
    let list = sum_up(filtered, noise, &runs, &owner);
    let components = Components {
        list,
        runs,
        owner,
        first_of_row,
    };
    (components, peaks)
}

/// Pixels looked at together: nearly everywhere nothing stands out.
const CHUNK: usize = 32;

/// The stretches of a row above the threshold, and its peaks.
fn scan_row(filtered: &Plane, noise: &Background, y: usize, sigma: f32) -> (Vec<Run>, Vec<Peak>) {
    let noise = noise.noise_line(y);
    let (mut runs, mut peaks) = (Runs::new(y), Vec::new());
    let mut limit = [0.0; CHUNK];
    for (chunk, values) in filtered.row(y).chunks(CHUNK).enumerate() {
        let (from, to) = (chunk * CHUNK, chunk * CHUNK + values.len());
        let least = BESIDE * sigma * noise.floor(from, to);
        if !values.iter().fold(false, |any, v| any | (*v > least)) {
            runs.end(from);
            continue;
        }
        let limit = &mut limit[..values.len()];
        noise.read(from, limit);
        limit.iter_mut().for_each(|l| *l *= sigma);
        runs.add(from, values, limit);
        find_peaks(filtered, limit, (from, y), sigma, &mut peaks);
    }
    runs.end(filtered.width());
    (runs.found, peaks)
}

/// Stretches of one row as they are found.
struct Runs {
    y: u32,
    start: Option<usize>,
    found: Vec<Run>,
}

impl Runs {
    fn new(y: usize) -> Self {
        Self {
            y: y as u32,
            start: None,
            found: Vec::new(),
        }
    }

    fn add(&mut self, from: usize, values: &[f32], limits: &[f32]) {
        for (x, (value, limit)) in (from..).zip(values.iter().zip(limits)) {
            match (value > limit, self.start) {
                (true, None) => self.start = Some(x),
                (false, Some(_)) => self.end(x),
                _ => {}
            }
        }
    }

    fn end(&mut self, x1: usize) {
        if let Some(x0) = self.start.take() {
            self.found.push(Run {
                y: self.y,
                x0: x0 as u32,
                x1: x1 as u32,
            });
        }
    }
}

/// Joins runs of neighbouring rows that touch, corners included; numbers components in order of
/// their first run.
fn join(runs: &[Run], first_of_row: &[usize]) -> Vec<u32> {
    let mut parent: Vec<u32> = (0..runs.len() as u32).collect();
    for y in 1..first_of_row.len().saturating_sub(1) {
        let (mut above, end_above) = (first_of_row[y - 1], first_of_row[y]);
        for run in first_of_row[y]..first_of_row[y + 1] {
            while above < end_above && runs[above].x1 < runs[run].x0 {
                above += 1;
            }
            let mut other = above;
            while other < end_above && runs[other].x0 <= runs[run].x1 {
                let (a, b) = (root(&mut parent, other as u32), root(&mut parent, run as u32));
                parent[a.max(b) as usize] = a.min(b);
                other += 1;
            }
        }
    }
    let mut number = vec![u32::MAX; runs.len()];
    let mut next = 0;
    (0..runs.len() as u32)
        .map(|run| {
            let top = root(&mut parent, run) as usize;
            if number[top] == u32::MAX {
                number[top] = next;
                next += 1;
            }
            number[top]
        })
        .collect()
}

fn root(parent: &mut [u32], mut node: u32) -> u32 {
    while parent[node as usize] != node {
        parent[node as usize] = parent[parent[node as usize] as usize];
        node = parent[node as usize];
    }
    node
}

#[derive(Clone, Copy, Default)]
struct Totals {
    pixels: usize,
    origin: (f64, f64),
    light: f64,
    x: f64,
    y: f64,
    xx: f64,
    xy: f64,
    yy: f64,
    peak: f32,
    peak_at: (usize, usize),
}

fn sum_up(filtered: &Plane, noise: &Background, runs: &[Run], owner: &[u32]) -> Vec<Component> {
    let count = owner.iter().max().map_or(0, |m| *m as usize + 1);
    let mut totals = vec![Totals::default(); count];
    for (run, owner) in runs.iter().zip(owner) {
        let t = &mut totals[*owner as usize];
        let y = run.y as usize;
        if t.pixels == 0 {
            t.origin = (f64::from(run.x0), f64::from(run.y));
        }
        let dy = f64::from(run.y) - t.origin.1;
        for (i, &value) in filtered.row(y)[run.x0 as usize..run.x1 as usize]
            .iter()
            .enumerate()
        {
            let (w, dx) = (f64::from(value), f64::from(run.x0) + i as f64 - t.origin.0);
            t.light += w;
            t.x += w * dx;
            t.y += w * dy;
            t.xx += w * dx * dx;
            t.xy += w * dx * dy;
            t.yy += w * dy * dy;
            if value > t.peak {
                (t.peak, t.peak_at) = (value, (run.x0 as usize + i, y));
            }
        }
        t.pixels += (run.x1 - run.x0) as usize;
    }
    totals
        .iter()
        .map(|t| {
            let (mx, my) = (t.x / t.light, t.y / t.light);
            Component {
                pixels: t.pixels,
                x: t.origin.0 + mx,
                y: t.origin.1 + my,
                moments: Moments {
                    xx: t.xx / t.light - mx * mx,
                    xy: t.xy / t.light - mx * my,
                    yy: t.yy / t.light - my * my,
                },
                snr: t.peak / noise.noise_at(t.peak_at.0 as f64, t.peak_at.1 as f64),
            }
        })
        .collect()
}
