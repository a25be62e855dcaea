//! Every zero of a smooth function whose bend is bounded, and proof that there is no other.

/// Where a function changes sign.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Crossing {
    /// Seconds.
    pub(super) at: f64,
    /// From below to above.
    pub(super) up: bool,
}

/// Cells are not halved below this width, seconds. Two zeros closer than this are none: the function has then
/// risen above or sunk below by less than 1e-8″.
const CELL_S: f64 = 1e-3;
/// Zeros are found to this, seconds.
const CLOSE_S: f64 = 1e-5;

/// A function with value and slope.
pub(super) trait Smooth: Fn(f64) -> (f64, f64) {}
impl<F: Fn(f64) -> (f64, f64)> Smooth for F {}

/// All changes of sign between `from` and `to`, in order.
///
/// `bend` bounds the second derivative. A cell about m of half width h is settled when |f(m)| > |f′(m)| h + bend h²/2
/// (no zero in it, by Taylor's theorem) or |f′(m)| > bend h (one at most, which the ends tell); else it is halved. So
/// nothing is missed, however nearly the function grazes zero.
pub(super) fn crossings(f: &impl Smooth, bend: f64, from: f64, to: f64) -> Vec<Crossing> {
    let mut found = Vec::new();
    let ends = [from, to].map(|at| f(at).0 >= 0.0);
    search(f, bend, (from, ends[0]), (to, ends[1]), &mut found);
    found
}

type End = (f64, bool);

fn search(f: &impl Smooth, bend: f64, left: End, right: End, found: &mut Vec<Crossing>) {
    let half = (right.0 - left.0) / 2.0;
    let middle = left.0 + half;
    let (value, slope) = f(middle);
    if value.abs() > slope.abs() * half + bend * half * half / 2.0 {
        return;
    }
    if slope.abs() > bend * half || half * 2.0 < CELL_S {
        if left.1 != right.1 {
            let at = closer(f, left, right);
            found.push(Crossing { at, up: right.1 });
        }
        return;
    }
    let middle = (middle, value >= 0.0);
    search(f, bend, left, middle, found);
    search(f, bend, middle, right, found);
}

/// The one zero between two ends of unlike sign: Newton's steps, halving where one leaves the bracket.
fn closer(f: &impl Smooth, left: End, right: End) -> f64 {
    const ENOUGH: usize = 60;
    let (mut a, mut b) = (left.0, right.0);
    let mut at = (a + b) / 2.0;
    for _ in 0..ENOUGH {
        let (value, slope) = f(at);
        if (value >= 0.0) == left.1 {
            a = at
        } else {
            b = at
        };
        let newton = at - value / slope;
        let next = if newton > a && newton < b {
            newton
        } else {
            (a + b) / 2.0
        };
        if (next - at).abs() < CLOSE_S {
            return next;
        }
        at = next;
    }
    at
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sine_has_its_zeros() {
        let f = |t: f64| (t.sin(), t.cos());
        let found = crossings(&f, 1.0, 1.0, 13.0);
        let expected = [1.0, 2.0, 3.0, 4.0].map(|n| n * std::f64::consts::PI);
        assert_eq!(found.len(), 4);
        for (n, (crossing, at)) in found.iter().zip(expected).enumerate() {
            assert!((crossing.at - at).abs() < CLOSE_S, "{crossing:?}");
            assert_eq!(crossing.up, n % 2 == 1);
        }
    }

    #[test]
    fn grazing_is_told_from_missing() {
        // cos t − 1 + ε has two zeros at ±√(2ε), here at least 4 of the smallest cells from each other;
        // with the other sign none.
        for (epsilon, expected) in [(1e-3f64, 2), (-1e-3, 0), (3e-6, 2), (-3e-6, 0), (-1e-12, 0)] {
            let f = |t: f64| (epsilon - 2.0 * (t / 2.0).sin().powi(2), -t.sin());
            let found = crossings(&f, 1.0, -3.0, 3.1);
            assert_eq!(found.len(), expected, "{epsilon}");
            for c in found {
                assert!((c.at.abs() - (2.0 * epsilon).sqrt()).abs() < CLOSE_S, "{c:?}");
            }
        }
    }
}
