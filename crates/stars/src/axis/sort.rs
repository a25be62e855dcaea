//! What happened between the frames: one axis, a camera aimed anew, a slip, a frame knocked aside, a tripod
//! that moved.

use nalgebra::Vector3;

use super::cameras::Cameras;
use super::pairs::{Pair, consensus};
use super::rivals::{Rivals, decide};
use super::{AxisEvent, LeftOut};

/// The frames in order.
pub(super) struct Sorted {
    /// Frames to fit and the segment of each.
    pub(super) used: Vec<usize>,
    pub(super) segments: Vec<usize>,
    pub(super) axis: Vector3<f64>,
    pub(super) events: Vec<AxisEvent>,
    pub(super) left_out: Vec<(usize, LeftOut)>,
    /// Two turns, by the frame before each, of which one was touched, and nothing says which.
    pub(super) either: Option<[usize; 2]>,
}

/// A jump of the camera on its mount larger than this was an aim, not a slip, degrees.
const AIMED_DEG: f64 = 1.0;

/// Sorts the turns between neighbouring frames. `None` where none is about an axis near the pole.
pub(super) fn sort(cameras: &Cameras, seconds: &[f64], pole: &Vector3<f64>) -> Option<Sorted> {
    let count = seconds.len();
    let pairs: Vec<Pair> = (1..count)
        .map(|to| Pair::between(cameras, seconds, to - 1, to))
        .collect();
    let all: Vec<usize> = (0..pairs.len()).collect();
    let (mut good, mut axis) = consensus(&pairs, &all, pole)?;
    let mut left_out = Vec::new();
    let mut events = Vec::new();
    let knocked = knocked(cameras, seconds, &pairs, &good);
    for &frame in &knocked {
        left_out.push((frame, LeftOut::Outlier));
        events.push(AxisEvent::Outlier {
            frame,
            by_arcmin: jump(&pairs[frame - 1], &axis),
        });
    }
    if let Some((set, other)) = moved(&pairs, &good, &knocked, pole) {
        let later = set[0] > good[0];
        let (before, after) = if later { (&good, &set) } else { (&set, &good) };
        events.push(AxisEvent::Moved {
            after: before[before.len() - 1] + 1,
            by_arcmin: axis.angle(&other).to_degrees() * 60.0,
        });
        let first = after[0];
        left_out.extend((0..first).map(|f| (f, LeftOut::BeforeMove)));
        if later {
            (good, axis) = (set, other);
        }
    }
    let mut either = None;
    // Turns that agree vouch for each other; one alone, against others of its kind, does not.
    if good.len() == 1 && left_out.is_empty() {
        let others: Vec<usize> = (0..pairs.len())
            .filter(|&i| i != good[0] && pairs[i].plausible(pole))
            .collect();
        match decide(&pairs, good[0], &others, pole) {
            Rivals::Clear(best) if best != good[0] => {
                good = vec![best];
                axis = pairs[best].turn.normalize();
                axis *= axis.dot(pole).signum();
            }
            Rivals::Clear(_) => {}
            Rivals::Either(a, b) => either = Some([a.min(b), a.max(b)]),
        }
    }
    let mut sorted = Sorted {
        either,
        used: Vec::new(),
        segments: Vec::new(),
        axis,
        events,
        left_out,
    };
    sorted.cut(&pairs, &good, count);
    Some(sorted)
}

/// Frames that stand aside while those before and after them agree.
fn knocked(cameras: &Cameras, seconds: &[f64], pairs: &[Pair], good: &[usize]) -> Vec<usize> {
    let is_good = |i: usize| good.contains(&i);
    let best = good
        .iter()
        .max_by(|a, b| pairs[**a].turn.norm().total_cmp(&pairs[**b].turn.norm()));
    let Some(&best) = best else { return Vec::new() };
    let mut knocked = Vec::new();
    for frame in 1..pairs.len() {
        let both_bad = !is_good(frame - 1) && !is_good(frame);
        let after_another = knocked.last().is_some_and(|last| last + 1 == frame);
        if both_bad && !after_another {
            let across = Pair::between(cameras, seconds, frame - 1, frame + 1);
            if across.turned() && across.agrees(&pairs[best]) {
                knocked.push(frame);
            }
        }
    }
    knocked
}

/// Turns that agree on another axis, all before or all after the others.
fn moved(
    pairs: &[Pair],
    good: &[usize],
    knocked: &[usize],
    pole: &Vector3<f64>,
) -> Option<(Vec<usize>, Vector3<f64>)> {
    let beside = |i: usize| knocked.contains(&i) || knocked.contains(&(i + 1));
    let (first, last) = (*good.first()?, *good.last()?);
    // Beyond the touch first: the turn that holds it may pass for an axis of its own.
    let rest = |early: bool, gap: usize| -> Vec<usize> {
        (0..pairs.len())
            .filter(|i| !beside(*i) && if early { *i + gap < first } else { *i > last + gap })
            .collect()
    };
    let tries = [rest(false, 1), rest(false, 0), rest(true, 1), rest(true, 0)];
    tries.into_iter().find_map(|among| {
        let (set, axis) = consensus(pairs, &among, pole)?;
        // One odd turn next to good ones is a slip; one beyond a gap, or two that agree, are an axis.
        let gap = if set[0] > last {
            set[0] > last + 1
        } else {
            set[set.len() - 1] + 1 < first
        };
        (gap || set.len() > 1).then_some((set, axis))
    })
}

/// How far a turn is from one about the axis, arcminutes.
fn jump(pair: &Pair, axis: &Vector3<f64>) -> f64 {
    (pair.turn - axis * pair.turn.dot(axis)).norm().to_degrees() * 60.0
}

impl Sorted {
    /// Cuts the frames into segments at the turns that are not good.
    fn cut(&mut self, pairs: &[Pair], good: &[usize], count: usize) {
        let gone = |s: &Self, f: usize| s.left_out.iter().any(|l| l.0 == f);
        let standing: Vec<usize> = (0..count).filter(|f| !gone(self, *f)).collect();
        let mut segments: Vec<Vec<usize>> = Vec::new();
        for &frame in &standing {
            let joined = segments.last().and_then(|s| s.last()).is_some_and(|&before| {
                // Neighbours by a good turn, or on both sides of a frame that was knocked aside.
                (before + 1 == frame && good.contains(&before)) || before + 2 == frame
            });
            match segments.last_mut() {
                Some(segment) if joined => segment.push(frame),
                _ => segments.push(vec![frame]),
            }
        }
        for pair in segments.windows(2) {
            let after = pair[0][pair[0].len() - 1];
            let turn = &pairs[after];
            let by_arcmin = jump(turn, &self.axis);
            self.events.push(if by_arcmin > 60.0 * AIMED_DEG {
                AxisEvent::Reaimed { after, by_arcmin }
            } else {
                AxisEvent::Slipped { after, by_arcmin }
            });
        }
        for (n, segment) in segments.iter().enumerate() {
            if segment.len() == 1 {
                self.left_out.push((segment[0], LeftOut::Alone));
                continue;
            }
            self.used.extend(segment);
            self.segments.extend(std::iter::repeat_n(n, segment.len()));
        }
    }
}
