//! Which shifts are worth a closer look, and how much speaks for one.

use nalgebra::Vector2;
use rayon::prelude::*;

use super::bands::Level;
use super::block::Sums;
use super::consensus::{AUDIBLE, Freedom, Model, SYSTEMATIC_PX, settle, softened};
/// The most that one block may say.
const LOUDEST: f64 = 10.0;
/// A block agrees when its own place is nearer than 99 of 100 are by chance (χ² of two), and may speak
/// when it is known to this, pixels.
const AGREES: f64 = 9.21;
const VAGUE_PX: f64 = 0.4;
/// Shifts nominated besides standing still.
const NOMINEES: usize = 10;
/// Peaks of the coarsest level that are settled to find the nominees.
const PEAKS: usize = 40;

impl Level {
    /// What each block says of a motion, given as the shift at a place of the level: nothing where it
    /// would lie elsewhere by itself, or does not know where. What moves as one agrees to the last tenth
    /// of a pixel; trails that happen to cover each other do not.
    pub(super) fn says(&self, motion: &(dyn Fn(Vector2<f64>) -> Vector2<f64> + Sync)) -> Vec<f64> {
        let each = (0..self.prior.len()).into_par_iter().map(|k| {
            let sums = Sums::of(self, k, motion(self.centre(k))).filter(|s| s.says() > AUDIBLE);
            sums.filter(agrees).map_or(0.0, |s| s.says())
        });
        each.collect()
    }

    /// The middle of block `k` from the middle of the picture.
    pub(super) fn centre(&self, k: usize) -> Vector2<f64> {
        let [x, y] = self.corner(k);
        let half = 0.5 * (self.side as f64 - 1.0);
        Vector2::new(
            x as f64 + half - 0.5 * (self.a.width() as f64 - 1.0),
            y as f64 + half - 0.5 * (self.a.height() as f64 - 1.0),
        )
    }

    /// All that is said, each block bounded and weighed.
    pub(super) fn evidence(&self, says: &[f64]) -> f64 {
        let heard = says.iter().zip(&self.prior).filter(|(s, _)| **s > AUDIBLE);
        heard.map(|(s, prior)| prior * s.min(LOUDEST)).sum()
    }

    /// What speaks for one motion and not for another.
    pub(super) fn exclusive(&self, says: &[f64], other: &[f64]) -> f64 {
        let more: Vec<f64> = says.iter().zip(other).map(|(s, o)| s - o).collect();
        self.evidence(&more)
    }
}

/// Whether a block itself would lie where it was taken, and knows it in both directions.
fn agrees(sums: &Sums) -> bool {
    sums.step().is_some_and(|(step, weight)| {
        let weight = softened(&weight, SYSTEMATIC_PX);
        weight.is_some_and(|w| {
            let weakest = w.symmetric_eigenvalues().min();
            step.dot(&(w * step)) < AGREES && weakest > VAGUE_PX.powi(-2)
        })
    })
}

/// Shifts in pixels of the finest level: none at all first, then the ones most blocks agree on in the
/// coarsest level, followed down to the second finest: what is left is within reach of a gradient.
pub(super) fn nominate(levels: &[Level]) -> Vec<Vector2<f64>> {
    let mut shifts = vec![Vector2::zeros()];
    let Some((coarsest, finer)) = levels.split_last() else {
        return shifts;
    };
    for start in best(coarsest, peaks(coarsest)) {
        let middle = finer.iter().skip(1).rev();
        let followed = middle.fold(start, |shift, level| settled(level, shift * 2.0));
        let finest = if finer.is_empty() {
            followed
        } else {
            followed * 2.0
        };
        let known = shifts.iter().any(|s| (s - finest).norm() <= 2.0);
        if !known {
            shifts.push(finest);
        }
    }
    shifts
}

/// The whole-pixel shifts, up to a quarter of the level, that more speaks for than for their neighbours;
/// the best first.
fn peaks(level: &Level) -> Vec<Vector2<f64>> {
    let (rx, ry) = (level.a.width() / 4, level.a.height() / 4);
    let (across, down) = (2 * rx + 1, 2 * ry + 1);
    let shift = |i: usize| Vector2::new((i % across) as f64 - rx as f64, (i / across) as f64 - ry as f64);
    let values: Vec<f64> = (0..across * down)
        .into_par_iter()
        .map(|i| heard(level, shift(i)))
        .collect();
    let near = |i: usize| {
        let (x, y) = (i % across, i / across);
        let rows = y.saturating_sub(1)..(y + 2).min(down);
        rows.flat_map(move |v| (x.saturating_sub(1)..(x + 2).min(across)).map(move |u| v * across + u))
    };
    let mut found: Vec<usize> = (0..values.len())
        .filter(|i| values[*i] > 0.0 && near(*i).all(|j| values[j] <= values[*i]))
        .collect();
    found.sort_by(|i, j| values[*j].total_cmp(&values[*i]));
    found.into_iter().take(PEAKS).map(shift).collect()
}

/// The starts, settled, that most blocks agree with.
fn best(level: &Level, starts: Vec<Vector2<f64>>) -> Vec<Vector2<f64>> {
    let mut rated: Vec<(f64, Vector2<f64>)> = starts
        .into_iter()
        .map(|start| {
            let shift = settled(level, start);
            (level.evidence(&level.says(&|_| shift)), shift)
        })
        .collect();
    rated.sort_by(|p, q| q.0.total_cmp(&p.0));
    let mut kept: Vec<Vector2<f64>> = Vec::new();
    for (_, shift) in rated {
        if kept.len() < NOMINEES && kept.iter().all(|k| (k - shift).norm() > 0.5) {
            kept.push(shift);
        }
    }
    kept
}

/// A start as the blocks of the level would have it; as it is where too few agree.
fn settled(level: &Level, start: Vector2<f64>) -> Vector2<f64> {
    let freedom = Freedom {
        turn: false,
        zoom: false,
    };
    let model = Model::new(start.x, start.y, 0.0, 0.0);
    settle(level, model, freedom).map_or(start, |fit| Vector2::new(fit.model.x, fit.model.y))
}

/// All that is said for a shift, in a coarse level too, where one block holds few values.
fn heard(level: &Level, shift: Vector2<f64>) -> f64 {
    let each = (0..level.prior.len()).into_par_iter().map(|k| {
        let says = Sums::plain(level, k, shift).map_or(0.0, |s| s.says());
        level.prior[k] * says.min(LOUDEST)
    });
    each.collect::<Vec<f64>>().iter().sum()
}
