//! Backwards: the longest exposure and the largest axis error that keep trails within a tolerance.

use nightloom_sky::Angle;

use super::frame::{grid, worst};
use super::path::{Motion, Reach};
use super::{SIDEREAL_ARCSEC_PER_S, Scene, Shot, Tracker, Trailing};
use crate::field::{Range, check};
use crate::{Camera, FieldError};

/// No longer exposure is looked for, seconds.
pub const LONGEST_SEARCHED_S: f64 = 43_200.0;

/// Searches end when the answer is known to this part of itself.
const PRECISE: f64 = 1e-6;
/// More rounds than any search has been seen to need (8).
const ROUNDS: usize = 60;

/// Largest axis error looked for, and directions of it that are tried.
const LARGEST_ERROR_DEG: f64 = 45.0;
const DIRECTIONS: usize = 24;
/// Places across and down the frame at which axis errors are tried.
const PLACES: [usize; 2] = [7, 5];

/// The longest exposure whose trails stay within `tolerance_px` everywhere in the frame, seconds;
/// `None` where [`LONGEST_SEARCHED_S`] does. The exposure of `shot` itself plays no part.
///
/// A path only grows with time, so the answer is a single one; found to 1e-6 of itself.
///
/// # Errors
/// Where the tolerance is not above zero.
pub fn longest_exposure_s(shot: &Shot, tolerance_px: f64) -> Result<Option<f64>, FieldError> {
    check("the tolerance in pixels", tolerance_px, Range::Positive, "1")?;
    // The longest trail is at one place for a long stretch of times: solve there, look again.
    let mut place = shot.camera.at(0.0, 0.0);
    let mut seconds = LONGEST_SEARCHED_S;
    for round in 0..ROUNDS {
        let local = longest_at(shot, place, tolerance_px, seconds);
        if round > 0 && local >= seconds * (1.0 - PRECISE) {
            seconds = local;
            break;
        }
        seconds = local;
        let then = Shot { seconds, ..*shot };
        match worst(&then.motion(), &shot.camera, Trailing::Sky) {
            Some(worst) if worst.length_px <= tolerance_px * (1.0 + PRECISE) => break,
            Some(worst) => place = worst.at_px,
            // Some path leaves the lens: where, is not known yet.
            None => seconds /= 2.0,
        }
    }
    Ok((seconds < LONGEST_SEARCHED_S).then_some(seconds))
}

/// The longest exposure for one place, at most `most`.
fn longest_at(shot: &Shot, place: [f64; 2], tolerance_px: f64, most: f64) -> f64 {
    let over = |seconds: f64| {
        let then = Shot { seconds, ..*shot };
        let reach = then.motion().length_px(&shot.camera, place, Trailing::Sky);
        (reach.px() - tolerance_px) / tolerance_px
    };
    largest_below(over, most)
}

/// The largest x up to `most` at which a growing function is not above zero: bracketed by
/// doubling, then the false position with Illinois halving (Dowell & Jarratt 1971).
fn largest_below(over: impl Fn(f64) -> f64, most: f64) -> f64 {
    let (mut low, mut at_low) = (0.0, -1.0);
    let mut high = most.min(1.0);
    let mut at_high = over(high);
    while at_high <= 0.0 {
        if high >= most {
            return most;
        }
        (low, at_low) = (high, at_high);
        // Trails are nearly linear in time: aim a little beyond the crossing.
        let aim = if at_high > -1.0 {
            1.05 / (1.0 + at_high)
        } else {
            16.0
        };
        high = (high * aim.clamp(1.1, 16.0)).min(most);
        at_high = over(high);
    }
    for _ in 0..ROUNDS {
        if high - low <= PRECISE * high {
            break;
        }
        let cut = low - at_low * (high - low) / (at_high - at_low);
        let middle = if at_high.is_finite() && cut > low && cut < high {
            cut
        } else {
            (low + high) / 2.0
        };
        let at_middle = over(middle);
        if at_middle.abs() <= PRECISE / 10.0 {
            return middle;
        }
        if at_middle <= 0.0 {
            (low, at_low) = (middle, at_middle);
            at_high /= 2.0;
        } else {
            (high, at_high) = (middle, at_middle);
            at_low /= 2.0;
        }
    }
    low
}

/// How far a tracker's axis may be off the pole.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
pub struct AxisAllowance {
    /// So that the middle of the picture stays within the tolerance, whichever way the axis is
    /// off; `None` where 45° does.
    pub centre: Option<Angle>,
    /// So that the whole frame does.
    pub frame: Option<Angle>,
}

/// The axis error that an exposure allows, in the worst direction, at a true sidereal rate: for
/// the middle and for the whole frame. Found to about 0.1 % of itself; what the tracker of a shot
/// has by way of other errors is not in it.
///
/// # Errors
/// Where exposure or tolerance are not above zero.
pub fn axis_allowance(
    scene: &Scene,
    camera: &Camera,
    seconds: f64,
    tolerance_px: f64,
) -> Result<AxisAllowance, FieldError> {
    check("the exposure in seconds", seconds, Range::Positive, "120")?;
    check("the tolerance in pixels", tolerance_px, Range::Positive, "1")?;
    let search = AxisSearch {
        scene,
        camera,
        seconds,
        tolerance_px,
    };
    let middle = camera.lens.centre_px;
    let everywhere: Vec<[f64; 2]> = grid(PLACES[0], PLACES[1]).map(|[x, y]| camera.at(x, y)).collect();
    Ok(AxisAllowance {
        centre: search.allowed(&[middle]),
        frame: search.allowed(&everywhere),
    })
}

struct AxisSearch<'a> {
    scene: &'a Scene,
    camera: &'a Camera,
    seconds: f64,
    tolerance_px: f64,
}

impl AxisSearch<'_> {
    fn allowed(&self, places: &[[f64; 2]]) -> Option<Angle> {
        // |Δ|t = 2ωt sin(ε/2) on the centre's scale, to begin with.
        let turn = SIDEREAL_ARCSEC_PER_S * self.seconds * self.camera.lens.focal_px;
        let first = Angle::from_rad(self.tolerance_px * 206_265.0 / turn);
        let mut error = first.deg().min(LARGEST_ERROR_DEG);
        let (mut direction, mut place) = self.worst_direction(error, places);
        for _ in 0..4 {
            error = self.largest_error(direction, place);
            let (next_direction, next_place) = self.worst_direction(error, &[place]);
            let settled = (next_direction - direction).abs() < 1.0;
            (direction, place) = (next_direction, next_place);
            if settled {
                break;
            }
        }
        error = self.largest_error(direction, place);
        (error < LARGEST_ERROR_DEG).then(|| Angle::from_deg(error))
    }

    fn largest_error(&self, direction_deg: f64, place: [f64; 2]) -> f64 {
        let over = |error_deg: f64| {
            (self.px(error_deg, direction_deg, place) - self.tolerance_px) / self.tolerance_px
        };
        largest_below(over, LARGEST_ERROR_DEG)
    }

    fn px(&self, error_deg: f64, direction_deg: f64, place: [f64; 2]) -> f64 {
        self.motion(error_deg, direction_deg)
            .length_px(self.camera, place, Trailing::Sky)
            .px()
    }

    fn motion(&self, error_deg: f64, direction_deg: f64) -> Motion {
        let (error, direction) = (Angle::from_deg(error_deg), Angle::from_deg(direction_deg));
        Shot {
            scene: *self.scene,
            camera: *self.camera,
            tracker: Some(Tracker::off_pole(self.scene.latitude(), error, direction)),
            air: None,
            seconds: self.seconds,
        }
        .motion()
    }

    /// The direction of an axis error that makes the longest trail, degrees, and where.
    fn worst_direction(&self, error_deg: f64, places: &[[f64; 2]]) -> (f64, [f64; 2]) {
        let mut best = (0.0, self.camera.lens.centre_px, f64::NEG_INFINITY);
        let step = 360.0 / DIRECTIONS as f64;
        for n in 0..DIRECTIONS {
            let direction = step * n as f64;
            let motion = self.motion(error_deg, direction);
            for &place in places {
                let reach: Reach = motion.length_px(self.camera, place, Trailing::Sky);
                if reach.px() > best.2 {
                    best = (direction, place, reach.px());
                }
            }
        }
        // A parabola through the best direction and its neighbours.
        let at = |direction| self.px(error_deg, direction, best.1);
        let (before, after) = (at(best.0 - step), at(best.0 + step));
        let bend = before - 2.0 * best.2 + after;
        let shift = if bend < 0.0 {
            step * (before - after) / (2.0 * bend)
        } else {
            0.0
        };
        (best.0 + shift.clamp(-step, step), best.1)
    }
}
