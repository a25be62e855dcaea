//! Damped least squares: one driver for whatever can be made linear about a point.
//!
//! Gauss's step where it helps, the short step down the slope where it does not (Levenberg 1944, Q. Appl. Math. 2,
//! 164; Marquardt 1963, J. SIAM 11, 431).

/// What is fitted, as the driver sees it.
pub trait Problem {
    /// The unknowns.
    type Point;
    /// All that belongs to one point: its equations, its weights.
    type Local;

    /// The equations about a point, and the point's cost by them; `None` where there are none.
    fn local(&self, at: &Self::Point) -> Option<(Self::Local, f64)>;

    /// The point after a step from `at` with A's diagonal by 1 + `damping` (or what is like it); `None` where the
    /// equations have no solution or the step leads out of what is allowed.
    fn step(&self, at: &Self::Point, local: &Self::Local, damping: f64) -> Option<Self::Point>;

    /// Cost of a point by the weights of `local`.
    fn cost(&self, local: &Self::Local, at: &Self::Point) -> f64;
}

/// How the damping goes, and when it ends.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Damping {
    /// At the start.
    pub start: f64,
    /// After a step that helped, times this …
    pub fall: f64,
    /// … but no less than this.
    pub least: f64,
    /// After a step that did not, times this.
    pub rise: f64,
    /// Beyond this no step will help.
    pub most: f64,
    /// Steps that helped, at most.
    pub rounds: usize,
    /// Part of the cost that a step must gain, or it is the last.
    pub settled: f64,
}

impl Default for Damping {
    /// Marquardt's own start and factors, and a settled fit to about eight figures.
    fn default() -> Self {
        Self {
            start: 1e-2,
            fall: 0.1,
            least: 1e-12,
            rise: 10.0,
            most: 1e8,
            rounds: 200,
            settled: 1e-15,
        }
    }
}

/// Where it ended.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Descent<P> {
    /// The best point.
    pub at: P,
    /// Its cost, by the weights of the point before it; `None` where not even the start had equations.
    pub cost: Option<f64>,
    /// Whether it ended because nothing more was to be gained, not because the rounds were over.
    pub settled: bool,
}

/// Steps down until nothing more is gained. The cost never rises: each step is judged by the weights of the point it
/// leaves. Of NIST's certified fits Misra1a, MGH09 and Eckerle4 come out to six figures and more from both certified
/// starts, MGH10 from the nearer one (`tests/all/strd.rs`).
pub fn descend<P: Problem>(problem: &P, start: P::Point, settings: &Damping) -> Descent<P::Point> {
    let mut best = Descent {
        at: start,
        cost: None,
        settled: false,
    };
    let mut damping = settings.start;
    for _ in 0..settings.rounds {
        let Some((local, before)) = problem.local(&best.at) else {
            break;
        };
        best.cost = Some(before);
        let (next, after) = loop {
            let next = problem.step(&best.at, &local, damping);
            let tried = next.map(|n| (problem.cost(&local, &n), n));
            // A cost that is not a number helps nobody.
            if let Some((after, next)) = tried.filter(|t| t.0 <= before) {
                break (next, after);
            }
            damping = (damping * settings.rise).max(f64::MIN_POSITIVE);
            if damping.is_nan() || damping > settings.most {
                best.settled = true;
                return best;
            }
        };
        damping = (damping * settings.fall).max(settings.least);
        (best.at, best.cost) = (next, Some(after));
        if before - after <= settings.settled * before.abs() {
            best.settled = true;
            break;
        }
    }
    best
}
