//! Which star of one frame is which of another.
//!
//! Hypotheses come from triangles of neighbouring stars compared by angular distances; each
//! gives a rotation, which is scored by the stars it brings together. The best ones are refined
//! (rotation, focal length, first radial term) while the reach shrinks, and the answer counts
//! only if so many coincidences are past chance.

use nalgebra::{Rotation3, SVector, Vector3};
use nightloom_fit::{Damping, Normal, Problem, descend, median_of, rotation_between};
use nightloom_optics::Lens;
use rayon::prelude::*;

use crate::grid::Grid;
use crate::pose::{GAUSS, rms_of_median};
use crate::triangles::{Triangle, triangles};
use crate::{Star, Stop};

/// How two fields are matched.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct MatchSettings {
    /// Brightest stars of each field that hypotheses are made from.
    pub bright: usize,
    /// Brightest stars of each field that are paired in the end.
    pub pairs: usize,
    /// How far the focal length may be off, as a part of it.
    pub focal_tolerance: f64,
    /// Natural logarithm of the odds against chance above which a match counts.
    pub min_log_odds: f64,
}

impl Default for MatchSettings {
    fn default() -> Self {
        Self {
            bright: 70,
            pairs: 800,
            focal_tolerance: 0.06,
            min_log_odds: 20.0,
        }
    }
}

/// Two fields matched.
#[derive(Clone, Debug, PartialEq)]
pub struct FieldMatch {
    /// Rotation from the camera frame of `a` to that of `b`: a star in direction d of `a` stands
    /// in direction rotation · d of `b`.
    pub rotation: Rotation3<f64>,
    /// Index in `a` and index in `b` of each pair.
    pub pairs: Vec<(usize, usize)>,
    /// Root mean square of the pairs' distances, pixels of `b`.
    pub rms_px: f64,
    /// Natural logarithm of the odds against so many pairs falling together by chance.
    pub log_odds: f64,
    /// Factor on the focal length of both lenses that fits best.
    pub focal_factor: f64,
    /// What was added to the first radial coefficient of both lenses.
    pub radial_shift: f64,
}

/// Neighbours each star makes triangles with.
const NEIGHBOURS: usize = 8;
/// Difference in a triangle's shape up to which two may be one, before distortion is known.
const SHAPE_TOLERANCE: f64 = 0.03;
/// First reach of pairing, as a part of the frame's diagonal.
const LOOSE: f64 = 0.008;
/// Last reach of pairing, pixels.
const TIGHT_PX: f64 = 2.5;
/// Stars of each field that hypotheses are scored with.
const SCORED: usize = 200;
/// Hypotheses that are scored in full after a glance at the brightest stars alone.
const GLANCED: usize = 400;
/// Hypotheses that are refined.
const REFINED: usize = 6;

/// Matches the stars of two frames, brightest first in each list.
///
/// `None` where no match is surer than chance. The lenses may be off by the same few percent in
/// focal length, and their distortion may be unknown.
pub fn match_fields(
    a: &[Star],
    a_lens: &Lens,
    b: &[Star],
    b_lens: &Lens,
    settings: &MatchSettings,
) -> Option<FieldMatch> {
    match_fields_unless(a, a_lens, b, b_lens, settings, &|| false)
}

/// The same, given up with `None` once `stop` says so, within some tenths of a second.
pub fn match_fields_unless(
    a: &[Star],
    a_lens: &Lens,
    b: &[Star],
    b_lens: &Lens,
    settings: &MatchSettings,
    stop: Stop<'_>,
) -> Option<FieldMatch> {
    if stop() || a.len() < 4 || b.len() < 4 {
        return None;
    }
    let pair = FieldPair {
        a: Side::new(a, a_lens, settings.pairs),
        b: Side::new(b, b_lens, settings.pairs),
        settings,
    };
    let hypotheses = pair.hypotheses();
    let tried = hypotheses.len().max(1) as f64;
    let mut scored: Vec<(usize, usize)> = hypotheses
        .par_iter()
        .enumerate()
        .map(|(i, rotation)| match stop() {
            true => (0, i),
            false => (pair.glance(rotation), i),
        })
        .collect();
    scored.sort_by(|x, y| y.0.cmp(&x.0).then(x.1.cmp(&y.1)));
    scored.truncate(GLANCED);
    if stop() {
        return None;
    }
    let mut scored: Vec<(f64, usize)> = scored
        .par_iter()
        .map(|&(_, i)| (pair.score(&Model::of(hypotheses[i]), pair.loose(), SCORED), i))
        .collect();
    scored.sort_by(|x, y| y.0.total_cmp(&x.0).then(x.1.cmp(&y.1)));
    let mut refined: Vec<FieldMatch> = Vec::new();
    for rotation in scored.iter().take(REFINED).map(|&(_, i)| hypotheses[i]) {
        if stop() {
            break;
        }
        // The best ones are mostly one and the same.
        let near = pair.loose() / pair.b.lens.focal_px;
        if refined.iter().all(|r| r.rotation.angle_to(&rotation) > near) {
            refined.extend(pair.refine(Model::of(rotation)));
        }
    }
    let best = refined
        .into_iter()
        .max_by(|x, y| x.log_odds.total_cmp(&y.log_odds))?;
    let log_odds = best.log_odds - tried.ln();
    (log_odds > settings.min_log_odds).then_some(FieldMatch { log_odds, ..best })
}

/// One of the two frames.
struct Side {
    pixels: Vec<[f64; 2]>,
    lens: Lens,
    /// Extent of the stars, pixels.
    size: [f64; 2],
    grid: Grid,
    bright_grid: Grid,
    /// For a first glance: directions of the brightest, places of somewhat more.
    brightest: Vec<Vector3<f64>>,
    glance_grid: Grid,
}

impl Side {
    fn new(stars: &[Star], lens: &Lens, most: usize) -> Self {
        let pixels: Vec<[f64; 2]> = stars.iter().take(most).map(|s| [s.x, s.y]).collect();
        let extent = |k: usize| {
            let low = pixels.iter().map(|p| p[k]).fold(f64::INFINITY, f64::min);
            let high = pixels.iter().map(|p| p[k]).fold(f64::NEG_INFINITY, f64::max);
            (high - low).max(10.0)
        };
        let bright: Vec<[f64; 2]> = pixels.iter().take(SCORED).copied().collect();
        Self {
            size: [extent(0), extent(1)],
            lens: *lens,
            grid: Grid::new(pixels.clone(), 40.0),
            bright_grid: Grid::new(bright, 40.0),
            brightest: pixels
                .iter()
                .take(40)
                .filter_map(|p| lens.unproject(*p))
                .map(|d| d.into_inner())
                .collect(),
            glance_grid: Grid::new(pixels.iter().take(80).copied().collect(), 40.0),
            pixels,
        }
    }

    fn directions(&self, most: usize) -> Vec<Vector3<f64>> {
        self.pixels
            .iter()
            .take(most)
            .filter_map(|p| self.lens.unproject(*p))
            .map(|d| d.into_inner())
            .collect()
    }
}

/// What is being fitted.
#[derive(Clone, Copy, Debug)]
struct Model {
    rotation: Rotation3<f64>,
    log_focal: f64,
    radial: f64,
}

impl Model {
    fn of(rotation: Rotation3<f64>) -> Self {
        Self {
            rotation,
            log_focal: 0.0,
            radial: 0.0,
        }
    }

    fn lens(&self, lens: &Lens) -> Lens {
        let [k1, k2, k3] = lens.radial;
        Lens {
            focal_px: lens.focal_px * self.log_focal.exp(),
            radial: [k1 + self.radial, k2, k3],
            ..*lens
        }
    }

    fn stepped(&self, step: &SVector<f64, 5>) -> Self {
        Self {
            rotation: Rotation3::new(Vector3::new(step[0], step[1], step[2])) * self.rotation,
            log_focal: (self.log_focal + step[3]).clamp(-1.5, 1.5),
            radial: (self.radial + step[4]).clamp(-0.4, 0.4),
        }
    }
}

struct FieldPair<'a> {
    a: Side,
    b: Side,
    settings: &'a MatchSettings,
}

impl FieldPair<'_> {
    fn loose(&self) -> f64 {
        (LOOSE * self.b.size[0].hypot(self.b.size[1])).max(2.0 * TIGHT_PX)
    }

    /// Rotations that bring a triangle of `a` onto a like one of `b`.
    fn hypotheses(&self) -> Vec<Rotation3<f64>> {
        let a_dirs = self.a.directions(self.settings.bright);
        let b_dirs = self.b.directions(self.settings.bright);
        let a_triangles = triangles(&a_dirs, NEIGHBOURS);
        let mut b_triangles = triangles(&b_dirs, NEIGHBOURS);
        b_triangles.sort_by(|x, y| x.shape[0].total_cmp(&y.shape[0]));
        let scale = 1.0 + 2.0 * self.settings.focal_tolerance;
        a_triangles
            .par_iter()
            .flat_map_iter(|ta| {
                let from = b_triangles.partition_point(|t| t.shape[0] < ta.shape[0] - SHAPE_TOLERANCE);
                b_triangles[from..]
                    .iter()
                    .take_while(|t| t.shape[0] <= ta.shape[0] + SHAPE_TOLERANCE)
                    .filter(|tb| alike(ta, tb, scale))
                    .filter_map(|tb| {
                        let corners = ta.corners.iter().zip(&tb.corners);
                        rotation_between(corners.map(|(i, j)| (a_dirs[*i], b_dirs[*j], 1.0)))
                    })
                    .collect::<Vec<_>>()
            })
            .collect()
    }

    /// How many of the brightest stars of `a` fall on one of the brighter of `b`.
    fn glance(&self, rotation: &Rotation3<f64>) -> usize {
        let reach = self.loose();
        let falls = |d: &&Vector3<f64>| {
            self.b
                .lens
                .project(&(rotation * **d))
                .is_some_and(|q| self.b.glance_grid.nearest(q, reach).is_some())
        };
        self.a.brightest.iter().filter(falls).count()
    }

    /// Logarithm of the odds against so many pairs within `reach` by chance.
    fn score(&self, model: &Model, reach: f64, most: usize) -> f64 {
        let grid = if most <= SCORED {
            &self.b.bright_grid
        } else {
            &self.b.grid
        };
        let (a_lens, b_lens) = (model.lens(&self.a.lens), model.lens(&self.b.lens));
        let (mut inside, mut hits) = (0, 0);
        let margin = reach;
        for p in self.a.pixels.iter().take(most) {
            let Some(q) = carry(&a_lens, &b_lens, &model.rotation, *p) else {
                continue;
            };
            if !self.in_view(q, margin) {
                continue;
            }
            inside += 1;
            hits += usize::from(grid.nearest(q, reach).is_some());
        }
        let stars = self.b.pixels.len().min(most) as f64;
        let chance = stars * std::f64::consts::PI * reach * reach / (self.b.size[0] * self.b.size[1]);
        log_odds(inside, hits, chance)
    }

    fn in_view(&self, q: [f64; 2], margin: f64) -> bool {
        let c = self.b.lens.centre_px;
        // The stars' extent stands for the frame's: the frame's own size is not known here.
        (q[0] - c[0]).abs() < self.b.size[0] * 0.55 + margin
            && (q[1] - c[1]).abs() < self.b.size[1] * 0.55 + margin
    }

    /// Pairs under a model: each star of `a` with the nearest of `b`, mutual only.
    fn pair_up(&self, model: &Model, reach: f64) -> Vec<(usize, usize)> {
        let (a_lens, b_lens) = (model.lens(&self.a.lens), model.lens(&self.b.lens));
        let carried: Vec<Option<[f64; 2]>> = self
            .a
            .pixels
            .iter()
            .map(|p| carry(&a_lens, &b_lens, &model.rotation, *p))
            .collect();
        let mut best: Vec<Option<(usize, f64)>> = vec![None; self.b.pixels.len()];
        for (i, q) in carried.iter().enumerate() {
            let Some((j, d2)) = q.and_then(|q| self.b.grid.nearest(q, reach)) else {
                continue;
            };
            if best[j].is_none_or(|(_, d)| d2 < d) {
                best[j] = Some((i, d2));
            }
        }
        let mut pairs: Vec<(usize, usize)> = best
            .iter()
            .enumerate()
            .filter_map(|(j, b)| b.map(|(i, _)| (i, j)))
            .collect();
        pairs.sort_unstable();
        pairs
    }

    /// Shrinks the reach while fitting; `None` where the fit falls apart.
    fn refine(&self, start: Model) -> Option<FieldMatch> {
        let mut model = start;
        let mut reach = self.loose();
        let mut pairs = Vec::new();
        for round in 0..12 {
            pairs = self.pair_up(&model, reach);
            if pairs.len() < 4 {
                return None;
            }
            // With a handful of pairs, only the rotation can be told.
            let free = if pairs.len() >= 12 && round > 0 { 5 } else { 3 };
            let rms = self.fit(&mut model, &pairs, reach, free);
            let next = (3.0 * rms).min(reach * 0.7).max(TIGHT_PX);
            if round > 3 && (reach - next).abs() < 1e-6 {
                break;
            }
            reach = next;
        }
        let rms_px = self.rms(&model, &pairs);
        let log_odds = self.score(&model, reach, usize::MAX);
        Some(FieldMatch {
            rotation: model.rotation,
            pairs,
            rms_px,
            log_odds,
            focal_factor: model.log_focal.exp(),
            radial_shift: model.radial,
        })
    }

    /// Where the pairs' stars of `a` stand under a model's lens.
    fn seen(&self, model: &Model, pairs: &[(usize, usize)]) -> Vec<Option<Vector3<f64>>> {
        let lens = model.lens(&self.a.lens);
        let seen = |p: [f64; 2]| lens.unproject(p).map(|d| d.into_inner());
        pairs.iter().map(|&(i, _)| seen(self.a.pixels[i])).collect()
    }

    fn residuals(&self, model: &Model, pairs: &[(usize, usize)]) -> Vec<Option<[f64; 2]>> {
        self.residuals_of(&self.seen(model, pairs), model, pairs)
    }

    fn residuals_of(
        &self,
        seen: &[Option<Vector3<f64>>],
        model: &Model,
        pairs: &[(usize, usize)],
    ) -> Vec<Option<[f64; 2]>> {
        let lens = model.lens(&self.b.lens);
        let apart = |(d, &(_, j)): (&Option<Vector3<f64>>, &(usize, usize))| {
            let q = lens.project(&(model.rotation * (*d)?))?;
            Some([self.b.pixels[j][0] - q[0], self.b.pixels[j][1] - q[1]])
        };
        seen.iter().zip(pairs).map(apart).collect()
    }

    fn rms(&self, model: &Model, pairs: &[(usize, usize)]) -> f64 {
        let all = self.residuals(model, pairs);
        let squares: Vec<f64> = all.iter().flatten().map(|r| r[0] * r[0] + r[1] * r[1]).collect();
        (squares.iter().sum::<f64>() / squares.len().max(1) as f64).sqrt()
    }

    /// Least squares with Cauchy weights on the first `free` parameters; returns a robust rms.
    fn fit(&self, model: &mut Model, pairs: &[(usize, usize)], reach: f64, free: usize) -> f64 {
        let tried = Pairing {
            fields: self,
            pairs,
            scale: (reach / 3.0).max(0.3),
            free,
        };
        let settings = Damping {
            rounds: 8,
            settled: 1e-7,
            ..GAUSS
        };
        *model = descend(&tried, *model, &settings).at;
        let residuals = self.residuals(model, pairs);
        rms_of_median(median_of(
            residuals.iter().flatten().map(|r| r[0] * r[0] + r[1] * r[1]),
        ))
    }

    /// Standard deviations of log focal length and first radial term about the guess.
    fn priors(&self, model: &Model) -> [(f64, f64); 2] {
        [
            (self.settings.focal_tolerance.max(1e-4), model.log_focal),
            (0.1, model.radial),
        ]
    }
}

/// Pairs of stars by which a model is fitted.
struct Pairing<'a> {
    fields: &'a FieldPair<'a>,
    pairs: &'a [(usize, usize)],
    /// Of the Cauchy weights, pixels.
    scale: f64,
    /// So many parameters are free.
    free: usize,
}

impl Problem for Pairing<'_> {
    type Point = Model;
    type Local = Normal<5>;

    fn local(&self, at: &Model) -> Option<(Normal<5>, f64)> {
        const STEPS: [f64; 5] = [1e-5, 1e-5, 1e-5, 1e-4, 1e-4];
        let seen = self.fields.seen(at, self.pairs);
        let base = self.fields.residuals_of(&seen, at, self.pairs);
        // What the stars cannot tell stays near the guess.
        let held = if self.free < 5 { 1e12 } else { 0.0 };
        let mut normal = Normal::with_ridge([1e-9, 1e-9, 1e-9, held, held]);
        let moved: Vec<Vec<Option<[f64; 2]>>> = (0..self.free)
            .map(|p| {
                let mut step = SVector::<f64, 5>::zeros();
                step[p] = STEPS[p];
                let moved = at.stepped(&step);
                // A turn leaves the lens as it is.
                match p {
                    0..3 => self.fields.residuals_of(&seen, &moved, self.pairs),
                    _ => self.fields.residuals(&moved, self.pairs),
                }
            })
            .collect();
        for (n, r) in base.iter().enumerate() {
            let Some(r) = r else { continue };
            let weight = 1.0 / (self.scale * self.scale + r[0] * r[0] + r[1] * r[1]);
            for axis in 0..2 {
                let mut row = SVector::<f64, 5>::zeros();
                for (p, moved) in moved.iter().enumerate() {
                    row[p] = moved[n].map_or(0.0, |m| (r[axis] - m[axis]) / STEPS[p]);
                }
                normal.add(row, r[axis], weight);
            }
        }
        for (p, (sigma, value)) in self.fields.priors(at).into_iter().enumerate() {
            normal.expect(3 + p, -value, sigma);
        }
        Some((normal, self.cost_of(&base, at)))
    }

    fn step(&self, at: &Model, local: &Normal<5>, damping: f64) -> Option<Model> {
        Some(at.stepped(&local.damped(damping).solve()?))
    }

    fn cost(&self, _: &Normal<5>, at: &Model) -> f64 {
        self.cost_of(&self.fields.residuals(at, self.pairs), at)
    }
}

impl Pairing<'_> {
    fn cost_of(&self, residuals: &[Option<[f64; 2]>], at: &Model) -> f64 {
        let square = |r: [f64; 2]| (r[0] * r[0] + r[1] * r[1]) / (self.scale * self.scale);
        let stars = residuals
            .iter()
            .map(|r| r.map_or(5.0, |r| (1.0 + square(r)).ln()));
        let priors = self.fields.priors(at);
        stars.sum::<f64>()
            + priors
                .iter()
                .map(|(sigma, value)| (value / sigma).powi(2))
                .sum::<f64>()
    }
}

/// Where a pixel of `a` falls in `b`.
fn carry(a: &Lens, b: &Lens, rotation: &Rotation3<f64>, p: [f64; 2]) -> Option<[f64; 2]> {
    b.project(&(rotation * a.unproject(p)?.into_inner()))
}

fn alike(a: &Triangle, b: &Triangle, scale: f64) -> bool {
    let ratio = a.size / b.size;
    a.clockwise == b.clockwise
        && (a.shape[1] - b.shape[1]).abs() <= SHAPE_TOLERANCE
        && ratio < scale
        && ratio > 1.0 / scale
}

/// −ln of the chance that `hits` or more of `inside` stars find a partner when each does with
/// probability `chance`: Chernoff's bound, n·KL(hits/n ‖ chance).
pub(crate) fn log_odds(inside: usize, hits: usize, chance: f64) -> f64 {
    let n = inside as f64;
    let chance = chance.clamp(1e-12, 0.999);
    let share = hits as f64 / n.max(1.0);
    if hits == 0 || share <= chance {
        return 0.0;
    }
    let part = |p: f64, q: f64| if p > 0.0 { p * (p / q).ln() } else { 0.0 };
    n * (part(share, chance) + part(1.0 - share, 1.0 - chance))
}
