//! Figures of four neighbouring stars, found again by their shape alone.
//!
//! A figure's code is where its two inner stars stand between the two that are farthest apart
//! (Lang et al. 2010, AJ 139, 1782, section 2.2), here measured between unit vectors, so that wide
//! figures compare as well as narrow ones. The whole sky is covered at a ladder of depths, each
//! with twice the stars of the one before.

use nightloom_fit::quantile;
use std::sync::LazyLock;

use nalgebra::Vector3;
use nightloom_sky::catalogue::{self, CatalogueStar};
use rayon::prelude::*;

use crate::sphere::SphereGrid;

/// Depths, each with half the stars of the one below it: a field of 110° holds thirty of the shallowest.
const DEPTHS: u32 = 9;
/// Neighbours each star makes figures with.
const NEIGHBOURS: usize = 6;

/// Four numbers of shape: the third and the fourth star's place along and across the line from
/// the first to the second, in lengths of that line.
pub(crate) type Code = [f32; 4];

/// Four stars in the order of their code.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Figure {
    pub(crate) corners: [u16; 4],
    pub(crate) code: Code,
    /// Chord between the first two, radians.
    pub(crate) size: f32,
}

/// The figure of four unit vectors; `None` where two inner stars do not lie between the outer ones.
pub(crate) fn figure(stars: &[Vector3<f64>], key: [u16; 4]) -> Option<Figure> {
    const PAIRS: [[usize; 4]; 6] = [
        [0, 1, 2, 3],
        [0, 2, 1, 3],
        [0, 3, 1, 2],
        [1, 2, 0, 3],
        [1, 3, 0, 2],
        [2, 3, 0, 1],
    ];
    let at = |k: usize| &stars[usize::from(key[k])];
    let mut widest = (0.0, &PAIRS[0]);
    for pair in &PAIRS {
        let d2 = (at(pair[0]) - at(pair[1])).norm_squared();
        if d2 > widest.0 {
            widest = (d2, pair);
        }
    }
    let (d2, &[a, b, c, d]) = widest;
    if d2 <= 0.0 {
        return None;
    }
    let along = (at(b) - at(a)) / d2;
    let across = (at(a) + at(b)).normalize().cross(&along);
    let place = |k: usize| {
        let v = at(k) - at(a);
        (v.dot(&along), v.dot(&across))
    };
    let ((cx, cy), (dx, dy)) = (place(c), place(d));
    let between = |x: f64, y: f64| (x - 0.5).powi(2) + y * y < 0.25;
    if !between(cx, cy) || !between(dx, dy) {
        return None;
    }
    let turned = cx + dx > 1.0;
    let (a, b) = if turned { (b, a) } else { (a, b) };
    let turn = |x: f64, y: f64| if turned { (1.0 - x, -y) } else { (x, y) };
    let mut inner = [(turn(cx, cy), c), (turn(dx, dy), d)];
    if inner[0].0.0 > inner[1].0.0 {
        inner.swap(0, 1);
    }
    let [((cx, cy), c), ((dx, dy), d)] = inner;
    Some(Figure {
        corners: [a, b, c, d].map(|k| key[k]),
        code: [cx as f32, cy as f32, dx as f32, dy as f32],
        size: d2.sqrt() as f32,
    })
}

/// The figures of the sky's brightest stars down to one depth, sorted by code.
pub(crate) struct Depth {
    /// How many of the catalogue's brightest stars.
    pub(crate) stars: usize,
    /// Sizes that all but one in a hundred figures lie between.
    pub(crate) sizes: [f32; 2],
    cells: usize,
    first: Vec<u32>,
    figures: Vec<Figure>,
}

impl Depth {
    fn new(directions: &[Vector3<f64>]) -> Self {
        let figures = neighbours(directions);
        // A sample tells the sizes well enough.
        let mut sizes: Vec<f32> = figures
            .iter()
            .step_by(figures.len() / 4000 + 1)
            .map(|f| f.size)
            .collect();
        let mut part = |share: f64| quantile(&mut sizes, share).unwrap_or(0.0);
        let cells = ((figures.len() as f64).powf(0.25) * 0.8).round().clamp(6.0, 26.0) as usize;
        let (first, figures) = sorted(cells, &figures);
        Self {
            stars: directions.len(),
            sizes: [part(0.005), part(0.995)],
            cells,
            first,
            figures,
        }
    }

    /// Calls `visit` with every figure whose code is within `reach` of `code` in each number.
    pub(crate) fn like(&self, code: &Code, reach: f32, mut visit: impl FnMut(&Figure)) {
        let from: [usize; 4] = std::array::from_fn(|k| slot(self.cells, k, code[k] - reach));
        let to: [usize; 4] = std::array::from_fn(|k| slot(self.cells, k, code[k] + reach));
        for i in from[0]..=to[0] {
            for j in from[1]..=to[1] {
                for k in from[2]..=to[2] {
                    // Cells along the last number follow one another.
                    let row = ((i * self.cells + j) * self.cells + k) * self.cells;
                    let range = self.first[row + from[3]] as usize..self.first[row + to[3] + 1] as usize;
                    for f in &self.figures[range] {
                        if (0..4).all(|n| (f.code[n] - code[n]).abs() <= reach) {
                            visit(f);
                        }
                    }
                }
            }
        }
    }
}

/// The slot of a code's number; places across run from −½ to ½.
fn slot(cells: usize, number: usize, value: f32) -> usize {
    let value = if number % 2 == 1 { value + 0.5 } else { value };
    ((value * cells as f32).max(0.0) as usize).min(cells - 1)
}

fn cell_of(cells: usize, code: &Code) -> usize {
    (0..4).fold(0, |sum, k| sum * cells + slot(cells, k, code[k]))
}

/// Counting sort by cell: where each cell begins, and the figures.
fn sorted(cells: usize, figures: &[Figure]) -> (Vec<u32>, Vec<Figure>) {
    let cell: Vec<usize> = figures.par_iter().map(|f| cell_of(cells, &f.code)).collect();
    let mut first = vec![0u32; cells.pow(4) + 1];
    for c in &cell {
        first[c + 1] += 1;
    }
    for i in 1..first.len() {
        first[i] += first[i - 1];
    }
    let mut next = first.clone();
    let mut order = vec![0u32; figures.len()];
    for (i, c) in cell.iter().enumerate() {
        order[next[*c] as usize] = i as u32;
        next[*c] += 1;
    }
    let figures = order.par_iter().map(|&i| figures[i as usize]).collect();
    (first, figures)
}

/// Each star with every three of its nearest neighbours, none twice.
fn neighbours(stars: &[Vector3<f64>]) -> Vec<Figure> {
    let reach = (2.5 * 4.0 * (NEIGHBOURS + 1) as f64 / stars.len().max(1) as f64)
        .sqrt()
        .min(1.5);
    let grid = SphereGrid::new(stars.to_vec(), reach);
    let mut keys: Vec<[u16; 4]> = (0..stars.len())
        .into_par_iter()
        .flat_map_iter(|i| {
            let mut near: Vec<(f64, u16)> = Vec::new();
            grid.within(&stars[i], reach, |j, d2| {
                if j != i {
                    near.push((d2, j as u16));
                }
            });
            near.sort_unstable_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
            near.truncate(NEIGHBOURS);
            threes(i as u16, &near)
        })
        .collect();
    keys.par_sort_unstable();
    keys.dedup();
    keys.into_par_iter()
        .filter_map(|key| figure(stars, key))
        .collect()
}

/// The star with every three of those near it, each key in order.
pub(crate) fn threes(star: u16, near: &[(f64, u16)]) -> Vec<[u16; 4]> {
    let mut keys = Vec::new();
    for (n, a) in near.iter().enumerate() {
        for (m, b) in near.iter().enumerate().skip(n + 1) {
            for c in &near[m + 1..] {
                let mut key = [star, a.1, b.1, c.1];
                key.sort_unstable();
                keys.push(key);
            }
        }
    }
    keys
}

/// The sky at every depth, shallow first. Made on first use; kept.
pub(crate) fn depths() -> &'static [Depth] {
    static MADE: LazyLock<Vec<Depth>> = LazyLock::new(|| {
        let stars: Vec<Vector3<f64>> = catalogue::stars().iter().map(place).collect();
        let all = stars.len().min(usize::from(u16::MAX));
        (0..DEPTHS)
            .rev()
            .map(|k| Depth::new(&stars[..all >> k]))
            .collect()
    });
    &MADE
}

/// At the catalogue's epoch: shapes change in a century far less than they are compared by.
fn place(star: &CatalogueStar) -> Vector3<f64> {
    let (sin_ra, cos_ra) = star.right_ascension.rad().sin_cos();
    let (sin_dec, cos_dec) = star.declination.rad().sin_cos();
    Vector3::new(cos_dec * cos_ra, cos_dec * sin_ra, sin_dec)
}
