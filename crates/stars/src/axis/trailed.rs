//! The axis from one frame whose stars are trailed.
//!
//! A trail is the turn of the sky less the turn of the tracker. Its length and direction at every star give that
//! difference as a vector, but no trail tells which of its ends came first: two answers remain, on opposite
//! sides of the pole.

use nalgebra::{Matrix2x3, Matrix3, Rotation3, Unit, UnitVector3, Vector2, Vector3};
use nightloom_fit::{CAUCHY, Loss, Normal, median_of};
use nightloom_sky::{Air, Angle};

use super::rate::SKY_RAD_S;
use super::{AxisFrame, Pole, frame};
use crate::bundle::by_direction;
use crate::{Field, Star};
use nightloom_optics::Lens;

/// One of the two answers.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TrailedAxis {
    /// Where the axis points, ground frame.
    pub axis: UnitVector3<f64>,
    /// Root mean square distance from where it really is, if this is the right one of the two.
    pub sigma: Angle,
    /// The tracker's rate over this exposure in units of the sky's, the gear's error in it.
    pub rate: f64,
}

/// Trails used; fewer than this say nothing.
const FEWEST: usize = 12;
/// Trails must be longer than this part of the stars' width.
const LEAST_LENGTH: f64 = 0.7;
/// Trails fainter than this are too coarse.
const LEAST_SNR: f32 = 20.0;

struct Stroke {
    /// Its moments are somewhat off: for want of better ones.
    saturated: bool,
    /// Seen, without its sense, pixels.
    seen: Vector2<f64>,
    /// The sky's own motion over the exposure, and what a turn of the camera makes of it: pixels = sky − turn · Ω.
    sky: Vector2<f64>,
    turn: Matrix2x3<f64>,
}

/// Both answers, nearer the pole first where they differ; `None` where the stars are not trailed or too few.
///
/// `frame` and `lens` as identified; its sights name stars of `field` by their pixels.
pub fn axis_of_trailed_frame(
    frame: &AxisFrame,
    field: &Field,
    lens: &Lens,
    pole: &Pole,
    air: &Air,
) -> Option<[TrailedAxis; 2]> {
    let strokes = strokes(frame, field, lens, pole, air);
    let strokes = if strokes.iter().filter(|s| !s.saturated).count() < FEWEST {
        strokes
    } else {
        strokes.into_iter().filter(|s| !s.saturated).collect()
    };
    if strokes.len() < FEWEST {
        return None;
    }
    let width = f64::from(field.fwhm_px).max(1.0);
    median_of(strokes.iter().map(|s| s.seen.norm())).filter(|length| *length >= LEAST_LENGTH * width)?;
    let sky = -pole.airless.into_inner() * (pole.sense() * SKY_RAD_S);
    let difference = difference(&strokes)?;
    let answer = |way: f64| refine(&strokes, sky - difference * way, pole);
    Some([answer(1.0)?, answer(-1.0)?])
}

fn strokes(frame: &AxisFrame, field: &Field, lens: &Lens, pole: &Pole, air: &Air) -> Vec<Stroke> {
    let seconds = frame.exposure_s.max(1e-3);
    let sky_turn = |t: f64| {
        let by = -pole.sense() * SKY_RAD_S * t;
        Rotation3::from_axis_angle(&Unit::new_normalize(pole.airless.into_inner()), by)
    };
    let (before, after) = (sky_turn(-0.5 * seconds), sky_turn(0.5 * seconds));
    frame
        .sights
        .iter()
        .filter_map(|sight| {
            let star = field
                .stars
                .iter()
                .find(|s| (s.x - sight.pixel[0]).abs() < 1e-6 && (s.y - sight.pixel[1]).abs() < 1e-6)?;
            if star.snr < LEAST_SNR {
                return None;
            }
            let moved = frame::lifted(air, &(after * sight.airless))?
                - frame::lifted(air, &(before * sight.airless))?;
            let slope = by_direction(lens, &(frame.camera * sight.ground))? * frame.camera.matrix();
            Some(Stroke {
                saturated: star.saturated,
                seen: stroke(star, field.trail_px > 0.0),
                sky: slope * moved,
                // Ω × g = −g × Ω.
                turn: -slope * sight.ground.cross_matrix() * seconds,
            })
        })
        .collect()
}

/// Length and direction of an even line with the star's moments.
fn stroke(star: &Star, trailed: bool) -> Vector2<f64> {
    let width = f64::from(star.fwhm_px) / 2.355;
    let long = f64::from(star.elongation);
    // Of a trail the width is that across; of a star the mean of both axes.
    let (along, across) = if trailed {
        ((width * long).powi(2), width * width)
    } else {
        (width * width * long, width * width / long)
    };
    let length = (12.0 * (along - across).max(0.0)).sqrt();
    Vector2::new(star.angle.cos(), star.angle.sin()) * length
}

/// The sky's turn less the tracker's up to its sign: directions by the smallest eigenvector, then the scale.
fn difference(strokes: &[Stroke]) -> Option<Vector3<f64>> {
    let mut normal = Matrix3::zeros();
    for s in strokes {
        let across = Vector2::new(-s.seen.y, s.seen.x);
        let row = s.turn.transpose() * across;
        normal += row * row.transpose();
    }
    let eigen = normal.symmetric_eigen();
    let least = eigen.eigenvalues.imin();
    let way: Vector3<f64> = eigen.eigenvectors.column(least).into_owned();
    let (mut top, mut bottom) = (0.0, 0.0);
    for s in strokes {
        let one = (s.turn * way).norm();
        top += one * s.seen.norm();
        bottom += one * one;
    }
    (bottom > 0.0).then(|| way * (top / bottom))
}

/// Least squares with Cauchy weights over the strokes, each with the sense that the model gives it.
fn refine(strokes: &[Stroke], start: Vector3<f64>, pole: &Pole) -> Option<TrailedAxis> {
    let mut turn = start;
    let (mut inverse, mut variance) = (Matrix3::zeros(), 0.0);
    for _ in 0..12 {
        let mut normal = Normal::<3>::new();
        let off = |s: &Stroke| {
            let model = s.sky - s.turn * turn;
            let sense = if model.dot(&s.seen) < 0.0 { -1.0 } else { 1.0 };
            model - s.seen * sense
        };
        let scale2 = (median_of(strokes.iter().map(|s| off(s).norm_squared()))? / 1.386).max(1e-6);
        for s in strokes {
            let off = off(s);
            let weight = Loss::Cauchy.weight(off.norm() / (CAUCHY * scale2.sqrt()));
            (0..2).for_each(|k| normal.add(s.turn.row(k).transpose(), off[k], weight));
        }
        let step = normal.solve()?;
        (inverse, variance) = (normal.covariance()?, scale2);
        turn += step;
        if step.norm() < 1e-12 * turn.norm() {
            break;
        }
    }
    let axis = -turn * pole.sense();
    let across = Matrix3::identity() - axis.normalize() * axis.normalize().transpose();
    let spread = (across * inverse * across).trace() * variance;
    Some(TrailedAxis {
        axis: Unit::new_normalize(axis),
        sigma: Angle::from_rad(spread.sqrt() / axis.norm()),
        rate: axis.norm() / SKY_RAD_S * axis.dot(&pole.refracted).signum(),
    })
}
