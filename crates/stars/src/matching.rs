//! Which star of one frame is which of another.
//!
//! Hypotheses come from triangles of neighbouring stars compared by angular distances; each
//! gives a rotation, which is scored by the stars it brings together. The best ones are refined
//! (rotation, focal length, first radial term) while the reach shrinks, and the answer counts
//! only if so many coincidences are past chance.

use nalgebra::{Matrix3, Rotation3, SMatrix, SVector, Vector3};
use nightloom_optics::Lens;
use rayon::prelude::*;

use crate::Star;
use crate::grid::Grid;
use crate::triangles::{Triangle, triangles};

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
    if a.len() < 4 || b.len() < 4 {
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
        .map(|(i, rotation)| (pair.glance(rotation), i))
        .collect();
    scored.sort_by(|x, y| y.0.cmp(&x.0).then(x.1.cmp(&y.1)));
    scored.truncate(GLANCED);
    let mut scored: Vec<(f64, usize)> = scored
        .par_iter()
        .map(|&(_, i)| (pair.score(&Model::of(hypotheses[i]), pair.loose(), SCORED), i))
        .collect();
    scored.sort_by(|x, y| y.0.total_cmp(&x.0).then(x.1.cmp(&y.1)));
    let best = scored
        .iter()
        .take(REFINED)
        .filter_map(|&(_, i)| pair.refine(Model::of(hypotheses[i])))
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
                    .map(|tb| {
                        let pick = |dirs: &[Vector3<f64>], t: &Triangle| t.corners.map(|i| dirs[i]);
                        rotation_between(&pick(&a_dirs, ta), &pick(&b_dirs, tb))
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

    fn residuals(&self, model: &Model, pairs: &[(usize, usize)]) -> Vec<Option<[f64; 2]>> {
        let (a_lens, b_lens) = (model.lens(&self.a.lens), model.lens(&self.b.lens));
        pairs
            .iter()
            .map(|&(i, j)| {
                let q = carry(&a_lens, &b_lens, &model.rotation, self.a.pixels[i])?;
                Some([self.b.pixels[j][0] - q[0], self.b.pixels[j][1] - q[1]])
            })
            .collect()
    }

    fn rms(&self, model: &Model, pairs: &[(usize, usize)]) -> f64 {
        let all = self.residuals(model, pairs);
        let squares: Vec<f64> = all.iter().flatten().map(|r| r[0] * r[0] + r[1] * r[1]).collect();
        (squares.iter().sum::<f64>() / squares.len().max(1) as f64).sqrt()
    }

    /// Gauss–Newton with Cauchy weights on the first `free` parameters, each step halved until it
    /// helps; returns a robust rms.
    fn fit(&self, model: &mut Model, pairs: &[(usize, usize)], reach: f64, free: usize) -> f64 {
        let scale = (reach / 3.0).max(0.3);
        let mut cost = self.cost(model, pairs, scale);
        for _ in 0..8 {
            let Some(step) = self.step(model, pairs, scale, free) else {
                break;
            };
            let better = (0..5)
                .map(|halvings| model.stepped(&(step * 0.5f64.powi(halvings))))
                .map(|next| (self.cost(&next, pairs, scale), next))
                .find(|(after, _)| *after < cost);
            let Some((after, next)) = better else { break };
            *model = next;
            let settled = cost - after < 1e-7 * cost;
            cost = after;
            if settled {
                break;
            }
        }
        let mut squares: Vec<f64> = self
            .residuals(model, pairs)
            .iter()
            .flatten()
            .map(|r| r[0] * r[0] + r[1] * r[1])
            .collect();
        squares.sort_by(f64::total_cmp);
        // The median of a squared two-axis Gaussian residual is 1.386 σ² of one axis, 0.693 of both.
        squares
            .get(squares.len() / 2)
            .map_or(f64::INFINITY, |m| (m / 0.693).sqrt())
    }

    /// Standard deviations of log focal length and first radial term about the guess.
    fn priors(&self, model: &Model) -> [(f64, f64); 2] {
        [
            (self.settings.focal_tolerance.max(1e-4), model.log_focal),
            (0.1, model.radial),
        ]
    }

    fn cost(&self, model: &Model, pairs: &[(usize, usize)], scale: f64) -> f64 {
        let stars: f64 = self
            .residuals(model, pairs)
            .iter()
            .map(|r| {
                r.map_or(5.0, |r| {
                    (1.0 + (r[0] * r[0] + r[1] * r[1]) / (scale * scale)).ln()
                })
            })
            .sum();
        stars
            + self
                .priors(model)
                .iter()
                .map(|(sigma, value)| (value / sigma).powi(2))
                .sum::<f64>()
    }

    fn step(
        &self,
        model: &Model,
        pairs: &[(usize, usize)],
        scale: f64,
        free: usize,
    ) -> Option<SVector<f64, 5>> {
        const STEPS: [f64; 5] = [1e-5, 1e-5, 1e-5, 1e-4, 1e-4];
        let base = self.residuals(model, pairs);
        let mut normal = SMatrix::<f64, 5, 5>::identity() * 1e-9;
        let mut side = SVector::<f64, 5>::zeros();
        let moved: Vec<Vec<Option<[f64; 2]>>> = (0..free)
            .map(|p| {
                let mut step = SVector::<f64, 5>::zeros();
                step[p] = STEPS[p];
                self.residuals(&model.stepped(&step), pairs)
            })
            .collect();
        for (n, r) in base.iter().enumerate() {
            let Some(r) = r else { continue };
            let weight = 1.0 / (scale * scale + r[0] * r[0] + r[1] * r[1]);
            for axis in 0..2 {
                let mut row = SVector::<f64, 5>::zeros();
                for (p, moved) in moved.iter().enumerate() {
                    row[p] = moved[n].map_or(0.0, |m| (r[axis] - m[axis]) / STEPS[p]);
                }
                normal += weight * row * row.transpose();
                side += weight * row * r[axis];
            }
        }
        // What the stars cannot tell stays near the guess.
        for (p, (sigma, value)) in self.priors(model).into_iter().enumerate() {
            normal[(3 + p, 3 + p)] += 1.0 / (sigma * sigma) + if free < 5 { 1e12 } else { 0.0 };
            side[3 + p] -= value / (sigma * sigma);
        }
        normal.cholesky().map(|c| c.solve(&side))
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

/// The rotation that best carries `from` onto `to` (Kabsch 1976).
pub(crate) fn rotation_between(from: &[Vector3<f64>], to: &[Vector3<f64>]) -> Rotation3<f64> {
    let mut sum = Matrix3::zeros();
    for (f, t) in from.iter().zip(to) {
        sum += t * f.transpose();
    }
    let svd = sum.svd(true, true);
    let (Some(u), Some(v_t)) = (svd.u, svd.v_t) else {
        return Rotation3::identity();
    };
    let sign = (u * v_t).determinant().signum();
    Rotation3::from_matrix_unchecked(u * Matrix3::from_diagonal(&Vector3::new(1.0, 1.0, sign)) * v_t)
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
