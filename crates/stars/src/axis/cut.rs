//! Touches that only the fit shows: the run of frames cut where that explains them much better.

use super::fit::AxisFit;
use super::pairs::Pair;
use super::{AxisEvent, LeftOut, Measuring};

/// What a touch must take from the squared misfit to be believed: that the camera was nudged on its head (two unknowns
/// more), that the axis is another after a nudge that is seen (two more), and both at once (four more). By chance alone
/// these happen once in 10⁵, 10³ and 10⁶ runs (χ² of that many degrees); an axis adjusted is what a touch is for.
pub(super) const NUDGED: f64 = 25.0;
const ADJUSTED: f64 = 14.0;
const BOTH: f64 = 35.0;

/// A touch before one of the frames used.
#[derive(Clone, Copy, Debug)]
pub(super) struct Cut {
    at: usize,
    moved: bool,
}

impl Measuring<'_> {
    /// The touch, if any, that brings the squared misfit, its price with it, below `most`: before which of the frames used, whether the
    /// axis was another after it, and the fit that counts then.
    pub(super) fn cut(&self, most: f64) -> Option<(Cut, AxisFit)> {
        let (used, segments) = (&self.sorted.used, &self.sorted.segments);
        let whole = |list: &[usize]| list.iter().all(|s| list.iter().filter(|t| *t == s).count() >= 2);
        let mut best: Option<(f64, Cut, AxisFit)> = None;
        let mut offer = |cost: f64, cut: Cut, fit: AxisFit| {
            if best.as_ref().is_none_or(|b| cost < b.0) {
                best = Some((cost, cut, fit));
            }
        };
        for at in 2..used.len().saturating_sub(1) {
            // The camera moved on its head, the axis stayed.
            if segments[at] == segments[at - 1] {
                let parted: Vec<usize> = (0..used.len())
                    .map(|i| 2 * segments[i] + usize::from(i >= at))
                    .collect();
                if let Some(fit) = whole(&parted).then(|| self.fit_of(used, &parted)).flatten() {
                    offer(fit.chi2 + NUDGED, Cut { at, moved: false }, fit);
                }
            }
            // The axis is another.
            let (before, after) = (&segments[..at], &segments[at..]);
            if whole(before) && whole(after) {
                let first = self.fit_of(&used[..at], before);
                let second = self.fit_of(&used[at..], after);
                if let (Some(first), Some(second)) = (first, second) {
                    let seen = segments[at] != segments[at - 1];
                    let cost = first.chi2 + second.chi2 + if seen { ADJUSTED } else { BOTH };
                    offer(cost, Cut { at, moved: true }, second);
                }
            }
        }
        best.filter(|b| b.0 < most).map(|(_, cut, fit)| (cut, fit))
    }

    /// Takes a touch into account.
    pub(super) fn part(&mut self, cut: Cut, whole: &AxisFit, after: &AxisFit) {
        let last = self.sorted.used[cut.at - 1];
        let stood = |e: &AxisEvent| matches!(e, AxisEvent::Slipped { after, .. } | AxisEvent::Reaimed { after, .. } if *after == last);
        self.sorted.events.retain(|e| !stood(e));
        if cut.moved {
            let before = self.fit_of(&self.sorted.used[..cut.at], &self.sorted.segments[..cut.at]);
            let from = before.map_or(whole.axis, |f| f.axis);
            self.sorted.events.push(AxisEvent::Moved {
                after: last,
                by_arcmin: from.angle(&after.axis).to_degrees() * 60.0,
            });
            let gone = self.sorted.used.drain(..cut.at);
            self.sorted
                .left_out
                .extend(gone.map(|f| (f, LeftOut::BeforeMove)));
            self.sorted.segments.drain(..cut.at);
        } else {
            let turn = Pair::between(&self.cameras, &self.seconds, last, self.sorted.used[cut.at]).turn;
            let across = turn - after.axis.into_inner() * turn.dot(&after.axis);
            self.sorted.events.push(AxisEvent::Slipped {
                after: last,
                by_arcmin: across.norm().to_degrees() * 60.0,
            });
            for (i, segment) in self.sorted.segments.iter_mut().enumerate() {
                *segment = 2 * *segment + usize::from(i >= cut.at);
            }
        }
    }
}
