//! Periodic error as probability: where in its turn the worm stands when the shutter opens is chance.

use std::f64::consts::{FRAC_PI_2, PI};

use nightloom_sky::Angle;

use super::path::Motion;
use super::{Periodic, Shot, Tracker};
use crate::field::{Range, check};
use crate::{Camera, FieldError};

/// Phases over which a frame with other errors too is averaged.
const PHASES: usize = 72;

/// Largest excursion within an exposure over all phases: 2A sin(πt/P) for t < P/2, then 2A.
pub fn worst_excursion(amplitude: Angle, period_s: f64, seconds: f64) -> Angle {
    let half = (PI * seconds / period_s).min(FRAC_PI_2);
    amplitude * (2.0 * half.sin())
}

/// The share of frames whose excursion about the axis stays within `limit`, all phases being equally
/// likely, 0 to 1. Exact.
///
/// With h = πt/P and u the distance (0 to π/2) of the middle of the exposure from the nearest
/// turning point, the excursion is 2A sin h sin u where no turning point falls within the exposure
/// (u ≥ h), A(1 − cos(u + h)) where one does, and 2A where both do. It grows with u, and u is
/// uniform, so the share is the u at which the limit is met over π/2.
pub fn share_kept(amplitude: Angle, period_s: f64, seconds: f64, limit: Angle) -> f64 {
    let h = PI * seconds / period_s;
    if limit.rad() >= worst_excursion(amplitude, period_s, seconds).rad() {
        return 1.0;
    }
    // In amplitudes; below 2, or the limit would hold.
    let x = limit.rad() / amplitude.rad();
    if h >= PI || x < 1.0 - h.cos() {
        return 0.0;
    }
    let one_turning_point = (1.0 - x).acos() - h;
    let u = if one_turning_point <= h {
        one_turning_point
    } else {
        (x / (2.0 * h.sin())).clamp(0.0, 1.0).asin()
    };
    (u / FRAC_PI_2).clamp(0.0, 1.0)
}

/// The share of frames in which no trail's extent exceeds `tolerance_px` at the middle, the corners and
/// the edges of the frame, for every error of the tracker together, the phase of its periodic error being
/// chance; 0 to 1. `None` where a path leaves what the lens can show.
///
/// By following the paths for 72 phases and interpolating where the tolerance is crossed: good to about
/// 0.005. Without a periodic error the answer is 0 or 1.
///
/// # Errors
/// Where the tolerance is not above zero.
pub fn share_of_frames_kept(shot: &Shot, tolerance_px: f64) -> Result<Option<f64>, FieldError> {
    check("the tolerance in pixels", tolerance_px, Range::Positive, "1")?;
    let Some((tracker, periodic)) = shot.tracker.and_then(|t| Some((t, t.periodic?))) else {
        let largest = largest_extent(shot);
        return Ok(largest.map(|px| if px <= tolerance_px { 1.0 } else { 0.0 }));
    };
    let over: Option<Vec<f64>> = phases(shot, tracker, periodic)
        .map(|shot| largest_extent(&shot).map(|px| px - tolerance_px))
        .collect();
    Ok(over.map(|over| share_below_zero(&over)))
}

impl Shot {
    /// The same with the worm where the frame's largest trail is longest, to 2.5° of its turn. The shot itself
    /// without a periodic error.
    pub fn at_worst_phase(&self) -> Self {
        let Some((tracker, periodic)) = self.tracker.and_then(|t| Some((t, t.periodic?))) else {
            return *self;
        };
        phases(self, tracker, periodic)
            .filter_map(|shot| Some((largest_extent(&shot)?, shot)))
            .max_by(|a, b| a.0.total_cmp(&b.0))
            .map_or(*self, |(_, shot)| shot)
    }
}

/// The shot at evenly spaced places of the worm.
fn phases(shot: &Shot, tracker: Tracker, periodic: Periodic) -> impl Iterator<Item = Shot> {
    let shot = *shot;
    (0..PHASES).map(move |n| {
        let phase = Angle::from_deg(360.0 * n as f64 / PHASES as f64);
        let turned = Tracker {
            periodic: Some(Periodic { phase, ..periodic }),
            ..tracker
        };
        Shot {
            tracker: Some(turned),
            ..shot
        }
    })
}

/// Of a closed curve through equally spaced values, straight between them, the share below zero.
fn share_below_zero(over: &[f64]) -> f64 {
    let next = over.iter().skip(1).chain(over.first());
    let below = |(&a, &b): (&f64, &f64)| match (a <= 0.0, b <= 0.0) {
        (true, true) => 1.0,
        (false, false) => 0.0,
        (true, false) => a / (a - b),
        (false, true) => b / (b - a),
    };
    over.iter().zip(next).map(below).sum::<f64>() / over.len() as f64
}

fn largest_extent(shot: &Shot) -> Option<f64> {
    let motion: Motion = shot.motion();
    places(&shot.camera)
        .into_iter()
        .map(|pixel| motion.extent_px(&shot.camera, pixel))
        .try_fold(0.0, |most: f64, px| Some(most.max(px?)))
}

fn places(camera: &Camera) -> [[f64; 2]; 9] {
    let shares = [0.0, 0.5, 1.0];
    std::array::from_fn(|n| camera.at(shares[n % 3], shares[n / 3]))
}
