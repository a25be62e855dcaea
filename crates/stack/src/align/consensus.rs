//! The motion that the blocks agree on.

use nalgebra::{Matrix2, Matrix2x4, Matrix4, Vector2, Vector4};
use rayon::prelude::*;

use super::bands::Level;
use super::block::Sums;

/// Blocks further from the motion than this are of another one, pixels: beyond it a gradient knows
/// little.
pub(super) const REACH_PX: f64 = 1.5;
/// A block that says less is taken to say nothing: of blocks that hold noise only, one in 400 reaches it
/// by chance.
pub(super) const AUDIBLE: f64 = 4.0;
/// What a block's shift errs by besides noise, rms, pixels: interpolation, half a block of another
/// depth. The first rounds allow for more, halved in each, so that a turn or a zoom shows before its
/// outermost blocks count as strangers.
pub(super) const SYSTEMATIC_PX: f64 = 0.05;
const SYSTEMATIC_AT_FIRST_PX: f64 = 0.8;
/// Where Tukey's biweight ends, in σ.
const BIWEIGHT: f64 = 4.685;
/// Blocks needed for a shift; for a turn or a zoom too.
const BLOCKS: usize = 3;
const BLOCKS_FOR_MORE: usize = 12;
/// A turn must show by so many σ, and be no larger than a bump makes it, radians: the sky turns by more.
const TURN_SIGMAS: f64 = 5.0;
const LARGEST_TURN: f64 = 0.01;
/// Rounds of looking at the blocks anew, and of weighing them within each; the change that ends it.
const ROUNDS: usize = 15;
const WEIGHINGS: usize = 15;
const SETTLED_PX: f64 = 1e-3;

/// Shift at the picture's centre (pixels of the level), turn (radians) and zoom of b against a, by half
/// each: a is taken half the way back and b half the way on.
pub(crate) type Model = Vector4<f64>;

/// What a motion may have besides a shift.
#[derive(Clone, Copy)]
pub(crate) struct Freedom {
    pub(crate) turn: bool,
    pub(crate) zoom: bool,
}

/// A motion of all the land, and what each block says of it.
pub(super) struct Motion {
    pub(super) model: Model,
    /// Standard error of either component of the shift.
    pub(super) sigma: f64,
    pub(super) says: Vec<f64>,
    blocks: usize,
}

impl Motion {
    fn new(level: &Level, fit: Fit) -> Self {
        let c = &fit.covariance;
        Self {
            model: fit.model,
            sigma: c[(0, 0)].max(c[(1, 1)]).sqrt(),
            says: level.says(&|centre| at(&fit.model, centre)),
            blocks: fit.blocks,
        }
    }

    pub(super) fn shift(&self) -> Vector2<f64> {
        Vector2::new(self.model.x, self.model.y)
    }
}

/// One block's wish: how far from the motion it lies, and how well that is known.
struct Wish {
    centre: Vector2<f64>,
    step: Vector2<f64>,
    weight: Matrix2<f64>,
}

/// A model fitted to the blocks' wishes.
pub(crate) struct Fit {
    pub(crate) model: Model,
    pub(crate) covariance: Matrix4<f64>,
    /// Blocks that agree.
    pub(crate) blocks: usize,
}

/// Refines a start; `None` where too few blocks agree.
pub(super) fn refine(level: &Level, start: Vector2<f64>) -> Option<Motion> {
    let still = Model::new(start.x, start.y, 0.0, 0.0);
    let freedom = Freedom {
        turn: false,
        zoom: false,
    };
    settle(level, still, freedom).map(|fit| Motion::new(level, fit))
}

/// The motion with a turn, where that shows.
pub(super) fn turned(level: &Level, motion: Motion) -> Motion {
    let freedom = Freedom {
        turn: true,
        zoom: false,
    };
    let shows = |fit: &Fit| {
        let (turn, error) = (fit.model.z.abs(), fit.covariance[(2, 2)].sqrt());
        turn > TURN_SIGMAS * error && turn < LARGEST_TURN && fit.blocks >= motion.blocks
    };
    match settle(level, motion.model, freedom).filter(shows) {
        Some(fit) => Motion::new(level, fit),
        None => motion,
    }
}

/// The shift at a place.
pub(crate) fn at(model: &Model, c: Vector2<f64>) -> Vector2<f64> {
    let (turn, zoom) = (model.z, model.w);
    Vector2::new(
        model.x - turn * c.y + zoom * c.x,
        model.y + turn * c.x + zoom * c.y,
    )
}

/// Looks and fits in turn until the model settles.
pub(crate) fn settle(level: &Level, start: Model, freedom: Freedom) -> Option<Fit> {
    let mut model = start;
    let mut last = None;
    let corner = 0.5 * (level.a.width() as f64).hypot(level.a.height() as f64);
    let mut systematic = SYSTEMATIC_AT_FIRST_PX;
    for _ in 0..ROUNDS {
        let settled = systematic <= SYSTEMATIC_PX;
        let fit = fitted(&wishes(level, &model, systematic), freedom)?;
        let step = fit.model;
        model += step;
        last = Some(Fit { model, ..fit });
        let moved = step.x.hypot(step.y) + step.z.hypot(step.w) * corner;
        if settled && moved < SETTLED_PX {
            break;
        }
        systematic = (0.5 * systematic).max(SYSTEMATIC_PX);
    }
    last
}

fn wishes(level: &Level, model: &Model, systematic: f64) -> Vec<Wish> {
    let wish = |k: usize| {
        let centre = level.centre(k);
        let sums = Sums::of(level, k, at(model, centre)).filter(|s| s.says() > AUDIBLE)?;
        let (step, weight) = sums.step().filter(|(s, _)| s.norm() < REACH_PX)?;
        let softened = softened(&weight, systematic)?;
        Some(Wish {
            centre,
            step,
            weight: softened * level.prior[k],
        })
    };
    let each: Vec<Option<Wish>> = (0..level.prior.len()).into_par_iter().map(wish).collect();
    each.into_iter().flatten().collect()
}

/// (W⁻¹ + s² I)⁻¹ without W⁻¹, which an edge does not have.
pub(super) fn softened(weight: &Matrix2<f64>, systematic: f64) -> Option<Matrix2<f64>> {
    let inverse = (Matrix2::identity() + weight * systematic.powi(2)).try_inverse()?;
    Some(inverse * weight)
}

/// The redescending mean of the wishes, from their median on: the step that the model has to make.
fn fitted(wishes: &[Wish], freedom: Freedom) -> Option<Fit> {
    if wishes.len() < BLOCKS {
        return None;
    }
    let mut fit = weighed(
        wishes,
        &Model::new(median(wishes, 0), median(wishes, 1), 0.0, 0.0),
        freedom,
    )?;
    for _ in 1..WEIGHINGS {
        let next = weighed(wishes, &fit.model, freedom)?;
        let change = (next.model - fit.model).norm();
        fit = next;
        if change < 0.1 * SETTLED_PX {
            break;
        }
    }
    let free = usize::from(freedom.turn) + usize::from(freedom.zoom);
    let needed = if free > 0 { BLOCKS_FOR_MORE } else { BLOCKS };
    (fit.blocks >= needed).then_some(fit)
}

/// One round of weighted least squares.
fn weighed(wishes: &[Wish], from: &Model, freedom: Freedom) -> Option<Fit> {
    let mut normal = Matrix4::zeros();
    let mut right = Vector4::zeros();
    let mut scatter = Matrix4::zeros();
    let mut blocks = 0;
    for wish in wishes {
        let off = wish.step - at(from, wish.centre);
        let q = off.dot(&(wish.weight * off)).max(0.0);
        let u = (1.0 - q / BIWEIGHT.powi(2)).max(0.0).powi(2);
        if u == 0.0 {
            continue;
        }
        // Half way out at least.
        blocks += usize::from(u > 0.25);
        let design = design(wish.centre, freedom);
        let half = design.transpose() * wish.weight * u;
        normal += half * design;
        right += half * wish.step;
        let pull = half * off;
        scatter += pull * pull.transpose();
    }
    for (i, free) in [(2, freedom.turn), (3, freedom.zoom)] {
        if !free {
            normal[(i, i)] = 1.0;
        }
    }
    let inverse = normal.try_inverse()?;
    let model = inverse * right;
    let sound = model.iter().all(|v| v.is_finite());
    sound.then(|| Fit {
        model,
        // What the blocks scatter by and what their noise says: the larger.
        covariance: (inverse * scatter * inverse).sup(&inverse),
        blocks,
    })
}

fn design(c: Vector2<f64>, freedom: Freedom) -> Matrix2x4<f64> {
    let turn = if freedom.turn { c } else { Vector2::zeros() };
    let zoom = if freedom.zoom { c } else { Vector2::zeros() };
    Matrix2x4::new(1.0, 0.0, -turn.y, zoom.x, 0.0, 1.0, turn.x, zoom.y)
}

/// Weighted median of one component of the steps.
fn median(wishes: &[Wish], axis: usize) -> f64 {
    let mut values: Vec<(f64, f64)> = wishes
        .iter()
        .map(|w| (w.step[axis], w.weight[(axis, axis)]))
        .collect();
    values.sort_by(|p, q| p.0.total_cmp(&q.0));
    let half = 0.5 * values.iter().map(|v| v.1).sum::<f64>();
    let mut sum = 0.0;
    for (value, weight) in values {
        sum += weight;
        if sum >= half {
            return value;
        }
    }
    0.0
}
