//! A weighted straight line.

/// A figure and its standard error.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Measured {
    /// The figure.
    pub value: f64,
    /// One standard error (68 % of repetitions lie within it).
    pub error: f64,
}

/// One point of a line: place, height, and the variance of the height.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct LinePoint {
    pub(super) x: f64,
    pub(super) y: f64,
    pub(super) variance: f64,
}

/// y = intercept + slope·x with the covariance of the two.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Line {
    pub(super) intercept: f64,
    pub(super) slope: f64,
    pub(super) var_intercept: f64,
    pub(super) var_slope: f64,
    pub(super) covariance: f64,
    /// Weighted sum of squared deviations.
    pub(super) chi2: f64,
    /// Points less two.
    pub(super) freedom: usize,
}

impl Line {
    pub(super) fn at(&self, x: f64) -> f64 {
        self.intercept + self.slope * x
    }
    /// What the variances have to be multiplied by: 1 where the scatter is what the points'
    /// variances say, else χ² per degree of freedom. Three standard deviations of χ² pass as chance.
    pub(super) fn excess(&self) -> f64 {
        if self.freedom == 0 {
            return 1.0;
        }
        let n = self.freedom as f64;
        let per = self.chi2 / n;
        if per > 1.0 + 3.0 * (2.0 / n).sqrt() {
            per
        } else {
            1.0
        }
    }
}

/// Least squares with weights 1/variance about the points' centre (Bevington & Robinson 2003,
/// *Data Reduction and Error Analysis*, eqs. 6.12 and 6.23). `None` where all points stand at one x,
/// or there are fewer than two.
pub(super) fn fit(points: &[LinePoint]) -> Option<Line> {
    let sum = |of: &dyn Fn(&LinePoint) -> f64| points.iter().map(|p| of(p) / p.variance).sum::<f64>();
    let weight = sum(&|_| 1.0);
    let (cx, cy) = (sum(&|p| p.x) / weight, sum(&|p| p.y) / weight);
    let sxx = sum(&|p| (p.x - cx).powi(2));
    let sxy = sum(&|p| (p.x - cx) * (p.y - cy));
    if points.len() < 2 || !(sxx > 0.0 && sxx.is_finite()) {
        return None;
    }
    let slope = sxy / sxx;
    let intercept = cy - slope * cx;
    Some(Line {
        intercept,
        slope,
        var_intercept: 1.0 / weight + cx * cx / sxx,
        var_slope: 1.0 / sxx,
        covariance: -cx / sxx,
        chi2: sum(&|p| (p.y - intercept - slope * p.x).powi(2)),
        freedom: points.len() - 2,
    })
}
