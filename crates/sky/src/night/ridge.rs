//! A skyline with its lowest and highest points at hand for any range of azimuth.

use crate::{Angle, Skyline};

/// Points of one level that make one of the next.
const BRANCH: usize = 8;

/// A skyline that answers for ranges.
#[derive(Clone, Debug)]
pub(super) struct Ridge {
    skyline: Skyline,
    /// Lowest and highest, degrees: of each point, of each eight points, of each sixty-four, …
    levels: Vec<Vec<(f64, f64)>>,
}

impl Ridge {
    pub(super) fn new(skyline: &Skyline) -> Self {
        let points = skyline
            .points()
            .map(|(_, altitude)| (altitude.deg(), altitude.deg()));
        let mut levels = vec![points.collect::<Vec<_>>()];
        while let Some(last) = levels.last().filter(|l| l.len() > 1) {
            let next = last.chunks(BRANCH).map(|c| extent(c.iter().copied())).collect();
            levels.push(next);
        }
        Self {
            skyline: skyline.clone(),
            levels,
        }
    }

    /// Apparent altitude of the edge.
    pub(super) fn altitude(&self, azimuth: Angle) -> Angle {
        self.skyline.altitude(azimuth)
    }

    /// The lowest and the highest of all.
    pub(super) fn whole(&self) -> (Angle, Angle) {
        angles(extent(self.levels.last().into_iter().flatten().copied()))
    }

    /// Bounds of the edge from one azimuth on through east to another.
    pub(super) fn range(&self, from: Angle, to: Angle) -> (Angle, Angle) {
        let count = self.levels[0].len();
        let step = self.skyline.step();
        let first = (from.rad() / step.rad()).floor();
        let cells = (to.rad() / step.rad()).ceil() - first;
        if cells + 1.0 >= count as f64 {
            return self.whole();
        }
        let first = first.rem_euclid(count as f64) as usize % count;
        let end = first + cells as usize + 1;
        let found = if end <= count {
            self.between(first, end)
        } else {
            wider(self.between(first, count), self.between(0, end - count))
        };
        angles(found)
    }

    /// Over the points `from..to`, in as few steps as the levels allow.
    fn between(&self, mut from: usize, to: usize) -> (f64, f64) {
        let mut found = (f64::INFINITY, f64::NEG_INFINITY);
        while from < to {
            let (mut level, mut size) = (0, 1);
            while level + 1 < self.levels.len()
                && from.is_multiple_of(size * BRANCH)
                && from + size * BRANCH <= to
            {
                level += 1;
                size *= BRANCH;
            }
            found = wider(found, self.levels[level][from / size]);
            from += size;
        }
        found
    }
}

fn wider(a: (f64, f64), b: (f64, f64)) -> (f64, f64) {
    (a.0.min(b.0), a.1.max(b.1))
}

fn extent(all: impl Iterator<Item = (f64, f64)>) -> (f64, f64) {
    all.fold((f64::INFINITY, f64::NEG_INFINITY), wider)
}

fn angles((low, high): (f64, f64)) -> (Angle, Angle) {
    (Angle::from_deg(low), Angle::from_deg(high))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ranges_are_those_of_the_points() {
        let altitude = |n: usize| ((n * 7919 % 977) as f64) / 40.0;
        let points: Vec<Angle> = (0..720).map(|n| Angle::from_deg(altitude(n))).collect();
        let ridge = Ridge::new(&Skyline::new(points).expect("a skyline"));
        for (from, to) in [(0usize, 3usize), (17, 230), (700, 760), (64, 128), (1, 719)] {
            let expected = extent((from..=to).map(|n| (altitude(n % 720), altitude(n % 720))));
            let deg = |n: usize| Angle::from_deg(n as f64 * 0.5);
            // Just inside the cells, so that rounding does not add a point.
            let hair = Angle::from_deg(1e-6);
            let (low, high) = ridge.range(deg(from) + hair, deg(to) - hair);
            assert!((low.deg() - expected.0).abs() < 1e-9, "{from}..{to}");
            assert!((high.deg() - expected.1).abs() < 1e-9, "{from}..{to}");
        }
        let (low, high) = ridge.range(Angle::from_deg(-1.0), Angle::from_deg(370.0));
        assert_eq!((low, high), ridge.whole());
    }
}
