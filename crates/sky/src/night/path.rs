//! A target's way through one night, as a Chebyshev sum that costs a tenth of a microsecond to ask.

use std::f64::consts::PI;

use nalgebra::{UnitVector3, Vector3, Vector4};

use crate::{Angle, Instant, Observer, PlaceError, Target, Watch};

/// Nodes of a day: the sky's turn leaves 1e-12 of the direction with them.
const NODES_A_DAY: f64 = 24.0;
/// Nodes of any span, however short.
const LEAST_NODES: usize = 8;

/// The instants at which a span of time is looked at, with the site's observer at each.
#[derive(Clone, Debug)]
pub struct Timeline {
    start: Instant,
    half_s: f64,
    /// At the zeros of the Chebyshev polynomial of their number, latest first.
    observers: Vec<Observer>,
    /// Of a turn in four times as many steps as there are nodes.
    cosines: Vec<f64>,
}

impl Timeline {
    /// Prepares the span from `from` to `to`; a few microseconds a node, 32 nodes for a night.
    ///
    /// # Errors
    /// A date outside 1990 to 2060.
    pub fn over(watch: &Watch, from: Instant, to: Instant) -> Result<Self, PlaceError> {
        let half_s = to.seconds_since(from) / 2.0;
        let nodes = LEAST_NODES + (half_s / 43_200.0 * NODES_A_DAY).ceil() as usize;
        let observer = |n: usize| watch.at(from.plus_seconds(half_s * (1.0 + node(n, nodes))));
        Ok(Self {
            start: from,
            half_s,
            observers: (0..nodes).map(observer).collect::<Result<_, _>>()?,
            cosines: (0..4 * nodes)
                .map(|n| (PI * n as f64 / (2 * nodes) as f64).cos())
                .collect(),
        })
    }

    /// The way of one target through the span.
    pub fn path(&self, target: &Target) -> Path {
        let seen: Vec<Vector4<f64>> = self.observers.iter().map(|o| sample(o, target)).collect();
        let nodes = seen.len();
        let coefficient = |order: usize| {
            let weight = |n: usize| self.cosines[order * (2 * n + 1) % (4 * nodes)];
            let sum: Vector4<f64> = seen.iter().enumerate().map(|(n, v)| v * weight(n)).sum();
            sum * if order == 0 { 1.0 } else { 2.0 } / nodes as f64
        };
        Path {
            start: self.start,
            half_s: self.half_s,
            coefficients: (0..nodes).map(coefficient).collect(),
        }
    }
}

fn node(n: usize, nodes: usize) -> f64 {
    (PI * (n as f64 + 0.5) / nodes as f64).cos()
}

/// East, north, up, and the inverse of the distance in thousands of kilometres (0 for stars).
fn sample(observer: &Observer, target: &Target) -> Vector4<f64> {
    let (direction, distance_km) = observer.line_of_sight(target);
    direction.push(distance_km.map_or(0.0, |km| 1e3 / km))
}

/// Where a target stands through a span of time: airless, topocentric.
///
/// Within 0.01″ of [`Observer`] through a night. Times are seconds after the span's beginning; outside the span the
/// answer is nonsense.
#[derive(Clone, Debug)]
pub struct Path {
    start: Instant,
    half_s: f64,
    coefficients: Vec<Vector4<f64>>,
}

impl Path {
    /// The span's beginning.
    pub fn start(&self) -> Instant {
        self.start
    }

    /// The span's length in seconds.
    pub fn length_s(&self) -> f64 {
        2.0 * self.half_s
    }

    /// The airless direction in the ground frame: x east, y north, z up.
    pub fn direction(&self, seconds: f64) -> UnitVector3<f64> {
        UnitVector3::new_normalize(self.sum(seconds).xyz())
    }

    /// Airless altitude.
    pub fn altitude(&self, seconds: f64) -> Angle {
        altitude_of(&self.sum(seconds).xyz())
    }

    /// Azimuth, 0° to 360°.
    pub fn azimuth(&self, seconds: f64) -> Angle {
        let direction = self.sum(seconds);
        Angle::from_rad(direction.x.atan2(direction.y)).wrapped_360()
    }

    /// Distance from the site in kilometres; infinite for stars.
    pub fn distance_km(&self, seconds: f64) -> f64 {
        1e3 / self.sum(seconds).w.max(0.0)
    }

    /// Clenshaw's sum.
    fn sum(&self, seconds: f64) -> Vector4<f64> {
        let x = seconds / self.half_s - 1.0;
        let (mut next, mut after) = (Vector4::zeros(), Vector4::zeros());
        for c in self.coefficients.iter().skip(1).rev() {
            (next, after) = (c + next * (2.0 * x) - after, next);
        }
        self.coefficients[0] + next * x - after
    }

    /// The sum and its change per second.
    pub(super) fn state(&self, seconds: f64) -> (Vector4<f64>, Vector4<f64>) {
        let x = seconds / self.half_s - 1.0;
        let zero = Vector4::zeros();
        let (mut value, mut slope) = ((zero, zero), (zero, zero));
        for c in self.coefficients.iter().skip(1).rev() {
            // The derivative of Clenshaw's recurrence.
            slope = (value.0 * 2.0 + slope.0 * (2.0 * x) - slope.1, slope.0);
            value = (c + value.0 * (2.0 * x) - value.1, value.0);
        }
        let sum = self.coefficients[0] + value.0 * x - value.1;
        let rate = value.0 + slope.0 * x - slope.1;
        (sum, rate / self.half_s)
    }
}

pub(super) fn altitude_of(direction: &Vector3<f64>) -> Angle {
    Angle::from_rad(direction.z.atan2(direction.x.hypot(direction.y)))
}
