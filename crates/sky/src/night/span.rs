//! Spans of time, and what two sets of them have in common.

use serde::Serialize;

use super::show;
use crate::Instant;

/// From one instant to a later one. In the JSON it has its `minutes` too.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(into = "Shown")]
pub struct Span {
    /// Beginning.
    pub from: Instant,
    /// End.
    pub to: Instant,
}

#[derive(Serialize)]
struct Shown {
    #[serde(serialize_with = "show::instant")]
    from: Instant,
    #[serde(serialize_with = "show::instant")]
    to: Instant,
    #[serde(serialize_with = "show::minutes")]
    minutes: f64,
}

impl From<Span> for Shown {
    fn from(span: Span) -> Self {
        Self {
            from: span.from,
            to: span.to,
            minutes: span.minutes(),
        }
    }
}

impl Span {
    /// Its length in minutes.
    pub fn minutes(&self) -> f64 {
        self.to.seconds_since(self.from) / 60.0
    }
}

/// Ordered spans in seconds after a window's beginning that do not touch.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Spans(Vec<(f64, f64)>);

impl Spans {
    /// From changes in order: `inside` holds at `from`, and turns at each change.
    pub(super) fn from_changes(inside: bool, from: f64, changes: &[f64], to: f64) -> Self {
        let mut spans = Vec::new();
        let mut open = inside.then_some(from);
        for &at in changes {
            open = match open {
                Some(begun) => {
                    spans.push((begun, at));
                    None
                }
                None => Some(at),
            };
        }
        spans.extend(open.map(|begun| (begun, to)));
        spans.retain(|(a, b)| b > a);
        Self(spans)
    }

    pub(super) fn iter(&self) -> impl Iterator<Item = (f64, f64)> + '_ {
        self.0.iter().copied()
    }

    /// What is in both.
    pub(super) fn and(&self, other: &Self) -> Self {
        let mut common = Vec::new();
        let (mut mine, mut theirs) = (self.iter().peekable(), other.iter().peekable());
        while let (Some(&(a, b)), Some(&(c, d))) = (mine.peek(), theirs.peek()) {
            let (from, to) = (a.max(c), b.min(d));
            if from < to {
                common.push((from, to));
            }
            if b < d {
                mine.next()
            } else {
                theirs.next()
            };
        }
        Self(common)
    }

    pub(super) fn seconds(&self) -> f64 {
        self.iter().map(|(a, b)| b - a).sum()
    }

    pub(super) fn minutes(&self) -> f64 {
        self.seconds() / 60.0
    }

    /// As instants.
    pub(super) fn after(&self, start: Instant) -> Vec<Span> {
        let span = |(a, b)| Span {
            from: start.plus_seconds(a),
            to: start.plus_seconds(b),
        };
        self.iter().map(span).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn changes_make_spans() {
        let made = Spans::from_changes(true, 0.0, &[2.0, 5.0], 9.0);
        assert_eq!(made.0, [(0.0, 2.0), (5.0, 9.0)]);
        assert_eq!(Spans::from_changes(false, 0.0, &[], 9.0).0, []);
    }

    #[test]
    fn common_parts() {
        let a = Spans(vec![(0.0, 3.0), (4.0, 6.0), (8.0, 9.0)]);
        let b = Spans(vec![(1.0, 2.0), (2.5, 5.0), (6.0, 8.5)]);
        assert_eq!(a.and(&b).0, [(1.0, 2.0), (2.5, 3.0), (4.0, 5.0), (8.0, 8.5)]);
        assert_eq!(a.and(&b), b.and(&a));
        assert_eq!(a.and(&Spans::default()).seconds(), 0.0);
    }
}
