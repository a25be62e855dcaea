//! Least trimmed squares: the linear fit that explains a given share of the data best, whatever
//! the rest does. FAST-LTS after Rousseeuw & Van Driessen (2006, Data Min. Knowl. Disc. 12, 29).

use nalgebra::{DMatrix, DVector};
use nightloom_fit::{Random, least_squares};

/// Random starts, concentration steps on each, how many go on, and steps on those.
const STARTS: usize = 80;
const FIRST_STEPS: usize = 3;
const FINALISTS: usize = 5;
const LAST_STEPS: usize = 30;
/// Rows looked at while searching; the fit itself takes all.
const SEARCH_ROWS: usize = 1200;

/// Fits `values` ≈ `design` · coefficients to the `share` of the rows that fit best. The starts are
/// pseudo-random with a fixed seed, so the result is always the same. `None` if the design is singular.
pub(crate) fn fit(design: &DMatrix<f64>, values: &DVector<f64>, share: f64) -> Option<DVector<f64>> {
    let n = values.len();
    let step = n.div_ceil(SEARCH_ROWS).max(1);
    let picked: Vec<usize> = (0..n).step_by(step).collect();
    let (few, few_values) = rows(design, values, &picked);
    let mut random = Random::new(0x243F_6A88_85A3_08D3);
    let mut found: Vec<(f64, DVector<f64>)> = Vec::new();
    for _ in 0..STARTS {
        let start: Vec<usize> = (0..=design.ncols()).map(|_| random.below(picked.len())).collect();
        let (d, v) = rows(&few, &few_values, &start);
        let Some(first) = least_squares(&d, &v, None) else {
            continue;
        };
        found.extend(concentrate(&few, &few_values, first, share, FIRST_STEPS));
    }
    found.sort_by(|a, b| a.0.total_cmp(&b.0));
    found.truncate(FINALISTS);
    let finished = found
        .into_iter()
        .filter_map(|(_, c)| concentrate(design, values, c, share, LAST_STEPS));
    finished
        .min_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, coefficients)| coefficients)
}

/// Fits the best rows, picks the best rows again, and so on; the sum of their squares never grows.
fn concentrate(
    design: &DMatrix<f64>,
    values: &DVector<f64>,
    mut coefficients: DVector<f64>,
    share: f64,
    steps: usize,
) -> Option<(f64, DVector<f64>)> {
    let h = kept(values.len(), share, design.ncols());
    let mut last = f64::INFINITY;
    for _ in 0..steps {
        let best = best_rows(design, values, &coefficients, h);
        let (d, v) = rows(design, values, &best);
        coefficients = least_squares(&d, &v, None)?;
        let sum = (v - d * &coefficients).norm_squared();
        if sum >= last * (1.0 - 1e-9) {
            break;
        }
        last = sum;
    }
    let best = best_rows(design, values, &coefficients, h);
    let (d, v) = rows(design, values, &best);
    Some(((v - d * &coefficients).norm_squared(), coefficients))
}

fn best_rows(design: &DMatrix<f64>, values: &DVector<f64>, c: &DVector<f64>, h: usize) -> Vec<usize> {
    let residual = values - design * c;
    let mut order: Vec<usize> = (0..residual.len()).collect();
    order.sort_by(|a, b| residual[*a].abs().total_cmp(&residual[*b].abs()));
    order.truncate(h);
    order
}

fn kept(n: usize, share: f64, columns: usize) -> usize {
    ((n as f64 * share) as usize).max(columns + 1).min(n)
}

fn rows(design: &DMatrix<f64>, values: &DVector<f64>, picked: &[usize]) -> (DMatrix<f64>, DVector<f64>) {
    let d = DMatrix::from_fn(picked.len(), design.ncols(), |i, j| design[(picked[i], j)]);
    (d, DVector::from_fn(picked.len(), |i, _| values[picked[i]]))
}
