//! Whether refraction agrees with the clock.
//!
//! A wrong clock turns the whole sky about the pole: the distance of the axis from the pole stays what it is,
//! only its direction turns with it, by 15° an hour. The one thing in a frame that knows better is the air: it
//! lifts the low stars, and which are low depends on the hour.

use nalgebra::{Rotation3, Unit};
use nightloom_optics::Lens;

use super::cameras::{self, Cameras};
use super::rate::SKY_RAD_S;
use super::{AxisFrame, Pole, frame};
use nightloom_sky::Air;

/// What refraction says of the clock.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
pub struct ClockDoubt {
    /// The clock is ahead of the sky by this, seconds, as far as refraction tells.
    pub ahead_s: f64,
    /// Standard deviation.
    pub sigma_s: f64,
}

/// Offsets tried: hours to both sides, in half hours.
const HALF_HOURS: i32 = 8;
/// The misfit must fall by so much for a doubt.
const SURE: f64 = 40.0;
/// Less is no matter of an hour set wrong, seconds.
const LEAST_S: f64 = 900.0;
/// Stars of a frame that are looked at.
const MOST_STARS: usize = 500;

/// Looks whether the stars' refraction fits another hour better. `None` where it fits this one, or tells nothing.
pub fn clock_by_refraction(frames: &[AxisFrame], lens: &Lens, pole: &Pole, air: &Air) -> Option<ClockDoubt> {
    let frames = thinned(frames);
    let as_told = cameras::fit(&frames, lens)?;
    let misfit = |ahead_s: f64| misfit(&frames, &as_told, pole, air, ahead_s);
    let told = misfit(0.0)?;
    let step = 1800.0;
    let best = (-HALF_HOURS..=HALF_HOURS)
        .filter_map(|n| Some((misfit(step * f64::from(n))?, step * f64::from(n))))
        .min_by(|a, b| a.0.total_cmp(&b.0))?;
    // A parabola through the best and its neighbours.
    let (before, after) = (misfit(best.1 - step)?, misfit(best.1 + step)?);
    let bend = before - 2.0 * best.0 + after;
    if bend <= 0.0 {
        return None;
    }
    let ahead_s = best.1 + step * (before - after) / (2.0 * bend);
    let doubt = ClockDoubt {
        ahead_s,
        sigma_s: step * (2.0 / bend).sqrt(),
    };
    let sure = told - best.0 > SURE && ahead_s.abs() > LEAST_S.max(4.0 * doubt.sigma_s);
    sure.then_some(doubt)
}

/// The first and the last frame, with as many stars as the answer needs.
fn thinned(frames: &[AxisFrame]) -> Vec<AxisFrame> {
    let ends = frames.iter().take(1).chain(frames.iter().skip(1).last());
    ends.map(|f| {
        let step = f.sights.len().div_ceil(MOST_STARS).max(1);
        AxisFrame {
            sights: f.sights.iter().step_by(step).copied().collect(),
            ..f.clone()
        }
    })
    .collect()
}

/// Misfit of the stars if the clock were ahead by so much; `None` where that puts them below the horizon.
fn misfit(frames: &[AxisFrame], as_told: &Cameras, pole: &Pole, air: &Air, ahead_s: f64) -> Option<f64> {
    // An earlier sky: turned back about the pole.
    let back = pole.sense() * SKY_RAD_S * ahead_s;
    let turn = Rotation3::from_axis_angle(&Unit::new_normalize(pole.airless.into_inner()), back);
    let moved: Vec<AxisFrame> = frames
        .iter()
        .zip(&as_told.rotations)
        .map(|(f, camera)| {
            let mut f = f.clone();
            for sight in &mut f.sights {
                sight.airless = turn * sight.airless;
                // Below what the formula holds for, the star has no place there at all.
                sight.ground = frame::lifted(air, &sight.airless).unwrap_or(sight.airless);
            }
            f.camera = camera * turn.inverse();
            f
        })
        .collect();
    let fit = cameras::fit(&moved, &as_told.lens)?;
    Some(fit.cost_at(&moved, as_told.scale))
}
