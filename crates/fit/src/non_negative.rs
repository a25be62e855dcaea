//! Least squares with coefficients that cannot be negative.

use nalgebra::{DMatrix, DVector};

/// Rounds of taking a term in, for each term; more would go in circles.
const ROUNDS: usize = 10;

/// Coefficients of 0 or more that bring `design` · coefficients nearest to `values` by weighted squares (Lawson & Hanson
/// 1974, “Solving Least Squares Problems”, algorithm 23.10, on the normal equations).
///
/// Each row has its weight of 0 or more; without weights all count alike.
///
/// ```
/// use nalgebra::{DMatrix, DVector};
/// let design = DMatrix::from_row_slice(3, 2, &[1.0, 0.0, 0.0, 1.0, 1.0, 1.0]);
/// let values = DVector::from_vec(vec![2.0, -1.0, 1.0]);
/// let found = nightloom_fit::non_negative(&design, &values, None);
/// assert!((found[0] - 1.5).abs() < 1e-12 && found[1] == 0.0);
/// ```
pub fn non_negative(
    design: &DMatrix<f64>,
    values: &DVector<f64>,
    weights: Option<&DVector<f64>>,
) -> DVector<f64> {
    let terms = design.ncols();
    let mut weighted = design.clone();
    if let Some(weights) = weights {
        for (mut row, w) in weighted.row_iter_mut().zip(weights.iter()) {
            row *= *w;
        }
    }
    let square = weighted.transpose() * design;
    let right = weighted.transpose() * values;
    let scale = square.diagonal().amax().max(f64::MIN_POSITIVE);
    let mut in_use = vec![false; terms];
    let mut found = DVector::zeros(terms);
    for _ in 0..ROUNDS * terms.max(1) {
        let slope = &right - &square * &found;
        let least = 1e-10 * scale.sqrt() * values.norm().max(f64::MIN_POSITIVE);
        let best = (0..terms)
            .filter(|&j| !in_use[j] && slope[j] > least)
            .max_by(|&a, &b| slope[a].total_cmp(&slope[b]));
        let Some(best) = best else { break };
        in_use[best] = true;
        settle(&square, &right, &mut in_use, &mut found);
        if !in_use[best] {
            // It would say nothing new but for rounding.
            break;
        }
    }
    found
}

/// Solves for the terms in use; what would become negative goes out of use.
fn settle(square: &DMatrix<f64>, right: &DVector<f64>, in_use: &mut [bool], found: &mut DVector<f64>) {
    for _ in 0..=in_use.len() {
        let used: Vec<usize> = (0..in_use.len()).filter(|&j| in_use[j]).collect();
        let part = DMatrix::from_fn(used.len(), used.len(), |i, j| square[(used[i], used[j])]);
        let wanted = DVector::from_fn(used.len(), |i, _| right[used[i]]);
        let Some(next) = part.clone().cholesky().map(|c| c.solve(&wanted)) else {
            // Terms that cannot be told apart: the last one taken in says nothing new.
            if let Some(&last) = used.iter().rev().find(|&&j| found[j] == 0.0) {
                in_use[last] = false;
                continue;
            }
            return;
        };
        if next.iter().all(|v| *v > 0.0) {
            found.fill(0.0);
            used.iter().zip(next.iter()).for_each(|(&j, v)| found[j] = *v);
            return;
        }
        // As far towards the solution as all stay positive; the first to reach zero stays there.
        let stops = used.iter().zip(next.iter()).filter(|(_, v)| **v <= 0.0);
        let part = |(&j, v): (&usize, &f64)| (found[j] / (found[j] - v).max(f64::MIN_POSITIVE), j);
        let Some((part_way, first)) = stops.map(part).min_by(|a, b| a.0.total_cmp(&b.0)) else {
            return;
        };
        for (&j, v) in used.iter().zip(next.iter()) {
            found[j] = (found[j] + part_way * (v - found[j])).max(0.0);
        }
        (found[first], in_use[first]) = (0.0, false);
    }
}
