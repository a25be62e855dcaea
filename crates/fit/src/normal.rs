//! Linear least squares by the normal equations.

use nalgebra::{Cholesky, Const, DMatrix, DVector, SMatrix, SVector};

/// Normal equations of `N` unknowns, gathered row by row: Σ w (v − r·x)² is least where A x = b with
/// A = Σ w r rᵀ and b = Σ w v r.
///
/// The error grows with the condition of A, the square of that of the rows: unknowns should be centred and of one
/// size. Of NIST's Norris more than 11 figures of the certified ones come out as it stands, of the ill-conditioned
/// Wampler1, centred, 8 (`tests/all/strd.rs`).
///
/// ```
/// let mut line = nightloom_fit::Normal::new();
/// for (x, y) in [(0.0, 1.0), (1.0, 3.0), (2.0, 5.0)] {
///     line.add([1.0, x], y, 1.0);
/// }
/// let found = line.solve().unwrap();
/// assert!((found[0] - 1.0).abs() < 1e-12 && (found[1] - 2.0).abs() < 1e-12);
/// ```
#[derive(Clone, Debug, PartialEq)]
pub struct Normal<const N: usize> {
    /// The lower triangle alone.
    matrix: SMatrix<f64, N, N>,
    side: SVector<f64, N>,
}

impl<const N: usize> Default for Normal<N> {
    fn default() -> Self {
        Self::new()
    }
}

impl<const N: usize> Normal<N> {
    /// No row yet.
    pub fn new() -> Self {
        Self {
            matrix: SMatrix::zeros(),
            side: SVector::zeros(),
        }
    }

    /// Nothing is known but that the unknowns lie about 0: as weight on the square of each.
    pub fn with_ridge(weights: [f64; N]) -> Self {
        Self {
            matrix: SMatrix::from_diagonal(&SVector::from(weights)),
            side: SVector::zeros(),
        }
    }

    /// One row: `row`·x should be `value`.
    #[inline]
    pub fn add(&mut self, row: impl Into<SVector<f64, N>>, value: f64, weight: f64) {
        let row = row.into();
        for j in 0..N {
            let weighted = weight * row[j];
            for i in j..N {
                self.matrix[(i, j)] += weighted * row[i];
            }
            self.side[j] += weighted * value;
        }
    }

    /// The unknown `i` is expected at `mean`, give or take `sigma`.
    pub fn expect(&mut self, i: usize, mean: f64, sigma: f64) {
        let weight = 1.0 / (sigma * sigma);
        self.matrix[(i, i)] += weight;
        self.side[i] += weight * mean;
    }

    /// All unknowns are expected about 0 with this weight more.
    pub fn ridge(&mut self, weight: f64) {
        (0..N).for_each(|i| self.matrix[(i, i)] += weight);
    }

    /// A's diagonal by 1 + `damping` (Marquardt 1963, J. SIAM 11, 431).
    #[must_use]
    pub fn damped(&self, damping: f64) -> Self {
        let mut damped = self.clone();
        (0..N).for_each(|i| damped.matrix[(i, i)] *= 1.0 + damping);
        damped
    }

    /// Sum of A's diagonal.
    pub fn trace(&self) -> f64 {
        self.matrix.trace()
    }

    /// b.
    pub fn side(&self) -> &SVector<f64, N> {
        &self.side
    }

    /// Factors of A, for other right sides; `None` where the rows do not hold all unknowns.
    pub fn factor(&self) -> Option<Cholesky<f64, Const<N>>> {
        self.matrix.cholesky()
    }

    /// The unknowns; `None` where the rows do not hold them all.
    pub fn solve(&self) -> Option<SVector<f64, N>> {
        Some(self.factor()?.solve(&self.side))
    }

    /// A⁻¹: the unknowns' covariance if the weights are one over the rows' variances.
    pub fn covariance(&self) -> Option<SMatrix<f64, N, N>> {
        Some(self.factor()?.inverse())
    }
}

/// The x for which `design` · x comes nearest to `values`, each row with its weight; `None` where the rows do not hold
/// all unknowns. `weights` of `None` are all 1.
pub fn least_squares(
    design: &DMatrix<f64>,
    values: &DVector<f64>,
    weights: Option<&DVector<f64>>,
) -> Option<DVector<f64>> {
    let across = match weights {
        Some(weights) => DMatrix::from_fn(design.ncols(), design.nrows(), |j, i| design[(i, j)] * weights[i]),
        None => design.transpose(),
    };
    Some((&across * design).cholesky()?.solve(&(across * values)))
}
