//! Turns that contradict each other, one against one: which was the touch?
//!
//! A nudge of an arcminute between two frames a few minutes apart looks like an axis a degree off. Where one turn says
//! this and another that, nothing but what is thought of trackers beforehand can decide: most point within a degree or two
//! of the pole, and turn with the stars as far as their gear allows. Where that does not decide clearly, nobody knows.

use nalgebra::Vector3;

use super::pairs::Pair;
use super::rate::{BY_HAND, SKY_RAD_S, worm_rate};

/// Distance from the pole within which half of all trackers point before they are measured, degrees (common practice, no
/// source).
const USUAL_DEG: f64 = 1.5;
/// Odds at which one of two is believed.
const CLEAR_ODDS: f64 = 50.0;
/// A turn so many times another's suffers so many times less from a touch, and is believed.
const FURTHER: f64 = 5.0;

/// What two turns that contradict each other come to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Rivals {
    /// This one is the tracker's.
    Clear(usize),
    /// It may be either.
    Either(usize, usize),
}

/// Decides between the turn `believed` and those `others`.
pub(super) fn decide(pairs: &[Pair], believed: usize, others: &[usize], pole: &Vector3<f64>) -> Rivals {
    let mut best = believed;
    for &other in others {
        let (a, b) = (&pairs[best], &pairs[other]);
        if a.turn.norm() > FURTHER * b.turn.norm() {
            continue;
        }
        if b.turn.norm() > FURTHER * a.turn.norm() {
            best = other;
            continue;
        }
        let odds = score(a, pole) - score(b, pole);
        if odds.abs() < CLEAR_ODDS.ln() {
            return Rivals::Either(best, other);
        }
        if odds < 0.0 {
            best = other;
        }
    }
    Rivals::Clear(best)
}

/// Logarithm of how likely a tracker turns like that: its distance from the pole with Cauchy's tails, its rate within
/// what a gear may do.
fn score(pair: &Pair, pole: &Vector3<f64>) -> f64 {
    let along = pair.turn.dot(pole);
    let off = (pair.turn - pole * along).norm().atan2(along.abs()).to_degrees();
    let placed = -1.5 * (1.0 + (off / USUAL_DEG).powi(2)).ln();
    let rate = along.abs() / (pair.seconds * SKY_RAD_S).max(1e-12);
    if rate > BY_HAND {
        return placed;
    }
    let reach = 0.5 * worm_rate(pair.seconds) + 0.005;
    placed - 0.5 * ((rate - 1.0) / reach).powi(2).min(60.0)
}

#[cfg(test)]
mod tests {
    use nalgebra::Matrix3;

    use super::*;

    /// A turn of so many minutes with the stars about an axis `off` degrees from the pole.
    fn turn(minutes: f64, off: f64, rate: f64) -> Pair {
        let seconds = 60.0 * minutes;
        let (s, c) = off.to_radians().sin_cos();
        Pair {
            turn: Vector3::new(s, 0.0, c) * (rate * seconds * SKY_RAD_S),
            covariance: Matrix3::identity() * 1e-12,
            seconds,
        }
    }

    #[test]
    fn only_clear_odds_decide() {
        let pole = Vector3::z();
        let told = |a: Pair, b: Pair| decide(&[a, b], 0, &[1], &pole);
        // One degree against one and a half: either.
        assert_eq!(
            told(turn(4.0, 1.0, 1.0), turn(4.0, 1.5, 1.0)),
            Rivals::Either(0, 1)
        );
        // Half a degree against twelve, whichever was believed.
        assert_eq!(told(turn(4.0, 0.5, 1.0), turn(4.0, 12.0, 1.0)), Rivals::Clear(0));
        assert_eq!(told(turn(4.0, 12.0, 1.0), turn(4.0, 0.5, 1.0)), Rivals::Clear(1));
        // A rate that no gear makes.
        assert_eq!(told(turn(20.0, 1.0, 1.0), turn(20.0, 1.0, 1.4)), Rivals::Clear(0));
        // A turn by hand outweighs a touch.
        assert_eq!(told(turn(4.0, 1.0, 60.0), turn(4.0, 3.0, 1.0)), Rivals::Clear(0));
    }
}
