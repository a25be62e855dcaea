//! From figures to causes.
//!
//! Each symptom has a severity: 1 where a photographer begins to mind, that is where something is 1.3
//! times what it should be (common practice, no source). A symptom's weight grows with the cube of its
//! severity and is shared among the causes that could make it, by how well each fits; “nothing wrong” has
//! the weight 1. Likelihoods are the weights' shares.

use super::told::{NightTold, SIDEREAL_RAD_S, read_noise_share};
use super::verdict::{Cause, CauseFound, Diagnosis};
use super::{Inspection, PathLook, Turn, words};
use crate::daylight::{DAY_EV, scene_ev};

/// Width of sharp stars where nothing is told, pixels (common practice, no source).
pub const SHARP_PX: f64 = 2.3;
/// Excess over normal at which a photographer begins to mind.
const MINDED: f64 = 0.3;
/// How fast a symptom's weight grows.
const POWER: i32 = 3;
/// Causes below this likelihood are not told.
const TOLD_FROM: f64 = 0.02;

/// Share of the whole weight that a fault needs to be told first, and so many times the next one's.
const DECISIVE: [f64; 2] = [0.5, 1.4];
/// Share with which “nothing found wrong” is said.
const CLEAN: f64 = 0.4;

/// Causes in order of likelihood, and the next step.
///
/// A fault comes first only where it outweighs “nothing wrong” and every rival clearly; where none does and something
/// still speaks against the frame, [`Cause::CannotTell`] comes first.
pub fn diagnose(seen: &Inspection, told: &NightTold) -> Diagnosis {
    if let Some(cause) = unmeasurable(seen, told) {
        return Diagnosis {
            causes: vec![CauseFound {
                cause,
                likelihood: 0.95,
                figure: words::figure(cause, seen, told),
            }],
            next: words::next(cause, seen, told),
        };
    }
    let mut weights = vec![(Cause::Good, 1.0)];
    motion(seen, told, &mut weights);
    width(seen, told, &mut weights);
    growth(seen, told, &mut weights);
    let coma = seen.coma.middle / MINDED_COMA;
    // A tail that hardly makes stars longer is nobody's trouble.
    let minded = coma.min((seen.elongation - 1.0) / MINDED);
    // Of an unknown lens nobody knows which way its stars should lean.
    if told.identified && !told.fisheye {
        weights.push((Cause::Decentred, told.trusted(weight(minded) * comatic(seen))));
    }
    sky(seen, told, &mut weights);
    shared(weights, seen, told)
}

fn shared(mut weights: Vec<(Cause, f64)>, seen: &Inspection, told: &NightTold) -> Diagnosis {
    let sum: f64 = weights.iter().map(|w| w.1).sum();
    weights.iter_mut().for_each(|w| w.1 /= sum);
    weights.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
    let (first, next) = (weights[0], weights.get(1).map_or(0.0, |w| w.1));
    let decided = match first.0 {
        Cause::Good => first.1 >= CLEAN && told.vouched(seen),
        _ => first.1 >= DECISIVE[0] && first.1 >= DECISIVE[1] * next,
    };
    if !decided {
        // As likely as the likeliest, which with all others shares the rest.
        let doubt = first.1 / (1.0 + first.1);
        weights.iter_mut().for_each(|w| w.1 *= 1.0 - doubt);
        weights.insert(0, (Cause::CannotTell, doubt));
    }
    let causes: Vec<CauseFound> = weights
        .into_iter()
        .filter(|(_, likelihood)| *likelihood >= TOLD_FROM)
        .map(|(cause, likelihood)| CauseFound {
            cause,
            likelihood: (likelihood * 1e3).round() / 1e3,
            figure: words::figure(cause, seen, told),
        })
        .collect();
    let first = causes.first().map_or(Cause::Good, |c| c.cause);
    Diagnosis {
        causes,
        next: words::next(first, seen, told),
    }
}

/// Width of hot pixels at most, as colours interpolated draw them, pixels.
const HOT_PX: f64 = 1.7;
/// So many narrow points may be stars of a sharp lens: no order is given on them.
const MANY_POINTS: usize = 1000;

/// Frames that say nothing of stars.
fn unmeasurable(seen: &Inspection, told: &NightTold) -> Option<Cause> {
    let e = &seen.exposure;
    let starry = told.identified || seen.shapes >= 8;
    if e.flat > 0.6 && e.brightest > 0.02 && !told.identified {
        return Some(Cause::Drawing);
    }
    // Hot pixels look like stars, only narrower, and are no known part of the sky.
    let points = !told.identified && seen.width_px < HOT_PX && seen.stars < MANY_POINTS;
    if e.brightest < 0.006 && e.sky < 0.002 && (!starry || points) {
        return Some(Cause::Covered);
    }
    if !starry && by_day(seen, told) {
        return Some(Cause::Daylight);
    }
    // A burnt-out sky hides its stars; that is said as such.
    (seen.stars < 5 && e.sky < 0.5).then_some(Cause::NoStars)
}

/// Whether sun, settings or, where neither is known, a bright picture speak for the day.
fn by_day(seen: &Inspection, told: &NightTold) -> bool {
    let e = &seen.exposure;
    let bright = e.sky > 0.04 && e.brightest > 0.25;
    let lit = match scene_ev([told.f_number, told.exposure_s, told.iso], e.sky) {
        Some(ev) => ev > DAY_EV,
        None => told.exposure_s.is_none_or(|t| t < 0.5),
    };
    (bright && lit) || told.sun_altitude_deg.is_some_and(|a| a > -3.0)
}

fn weight(severity: f64) -> f64 {
    severity.clamp(0.0, 6.0).powi(POWER)
}

/// 1 at a miss of nothing, small beyond `width`.
fn fits(miss: f64, width: f64) -> f64 {
    (-(miss / width).powi(2)).exp()
}

/// A soft step from 0 below `from` to 1 above `to`.
fn step(value: f64, from: f64, to: f64) -> f64 {
    let t = ((value - from) / (to - from)).clamp(0.0, 1.0);
    t * t * (3.0 - 2.0 * t)
}

/// Shares of an even line, two stops and a shaken path in what the profiles show.
pub(super) fn paths(path: &PathLook) -> [f64; 3] {
    if path.stars == 0 {
        return [0.8, 0.05, 0.15];
    }
    let best = path.line.min(path.two_stops).min(path.shaken);
    let share = |misfit: f64| fits((misfit - best) / (0.5 * best + 0.004), 1.0);
    // Two stops have one number more to fit with than a line.
    // Nearer together than this they are an uneven drift as well.
    let parted = step(path.stops_px / path.across_px.max(0.3), 2.7, 3.6);
    let raw = [
        share(path.line) + (1.0 - parted) * 0.5 * share(path.two_stops),
        0.5 * parted * share(path.two_stops),
        0.7 * share(path.shaken),
    ];
    let sum: f64 = raw.iter().sum();
    raw.map(|r| r / sum)
}

/// How far motion draws the stars out beyond round, in units of what is minded.
pub(super) fn drawn_out(seen: &Inspection) -> f64 {
    let across = seen.width_px.max(0.5) / 2.355;
    let m = &seen.motion;
    let drawn = (1.0 + m.length_px.powi(2) / (12.0 * across * across)).sqrt() - 1.0;
    let share = m.explained.powi(2) / (m.explained.powi(2) + m.radial_explained.powi(2) + 0.02);
    // A star that mostly rests and swings now and then looks rounder than its light is spread.
    let swings = if paths(&seen.path)[2] > 0.5 {
        (1.0 + 0.6 * (seen.path.shaken_px / across).powi(2)).sqrt() - 1.0
    } else {
        0.0
    };
    // A path of the camera against the sky that explains the shapes is sure long before it is ugly.
    let sure = step(m.explained, 0.3, 0.5);
    (drawn.max(swings) / MINDED * share.sqrt()).max(sure * m.length_px / (SEEN_PATH * seen.width_px.max(1.5)))
}

/// Length of a sure path, in widths of the stars, from which on it is minded: stars are a fifth longer than wide.
const SEEN_PATH: f64 = 0.75;

/// Third moment of one-sided stars from which on a photographer begins to mind: stars then are some 1.3 times as
/// long as wide (measured on Seidel's coma).
const MINDED_COMA: f64 = 0.12;

/// How surely the stars' one-sidedness is a lens's, 0 to 1.
fn comatic(seen: &Inspection) -> f64 {
    let c = &seen.coma;
    let error = c.scatter / (c.stars.max(1) as f64).sqrt();
    let seen = step(c.middle, 5.0 * error, 8.0 * error + 1e-6) * step(c.middle, 0.05, 0.1);
    seen * (1.0 - step(c.line.abs(), 0.35, 0.7))
}

fn motion(seen: &Inspection, told: &NightTold, weights: &mut Vec<(Cause, f64)>) {
    // Coma draws stars out as well.
    let total = weight(drawn_out(seen)) * (1.0 - 0.9 * comatic(seen));
    let [line, two, shaken] = paths(&seen.path);
    let mut rivals = match (&seen.motion.turn, told.exposure_s) {
        (Some(turn), Some(t)) if t > 0.0 => against_sky(seen, turn, SIDEREAL_RAD_S * t),
        _ => by_length(seen, told),
    };
    for rival in &mut rivals {
        rival.1 *= line;
    }
    rivals.push((
        Cause::Wind,
        0.5 * shaken * fits(1.0 - seen.motion.shift_explained, 0.5),
    ));
    // Hardly any knock goes just along right ascension.
    let along = seen
        .motion
        .turn
        .map_or(0.0, |t| fits(seen.motion.explained - t.polar_explained, 0.1));
    rivals.push((Cause::Knock, 0.7 * two * (1.0 - 0.6 * along)));
    let sum: f64 = rivals.iter().map(|r| r.1).sum::<f64>() + 0.02;
    weights.extend(rivals.into_iter().map(|(cause, p)| (cause, total * p / sum)));
    if let Some(doubled) = &seen.doubled {
        weights.push((Cause::Knock, weight(0.5 + doubled.share / 0.12)));
    }
    merge(weights);
}

/// Rival causes of drift where the pole and the sky's own turn are known.
fn against_sky(seen: &Inspection, turn: &Turn, sky_turn: f64) -> Vec<(Cause, f64)> {
    let free = 1.0 - seen.motion.explained;
    let polar = fits(1.0 - turn.polar_explained - free, 0.2);
    let across = fits(1.0 - turn.crosswise_explained - free, 0.2);
    let rate = turn.polar_rad / sky_turn;
    let error = turn.crosswise_rad / sky_turn;
    let off = fits(rate - 1.0, 0.12);
    let wrong = fits(rate - 2.0, 0.2);
    // Half the rate, the right way round and the wrong one.
    let half = fits(rate - 0.5, 0.08).max(fits(rate - 1.5, 0.1));
    vec![
        (Cause::WrongRate, 3.0 * polar * half),
        (Cause::TrackerOff, 3.0 * polar * off),
        (Cause::WrongHemisphere, 3.0 * polar * wrong),
        // Only a sixth of all axis errors draws stars along right ascension within some 15°.
        (
            Cause::PeriodicError,
            polar * (1.0 - off) * (1.0 - wrong) * (1.0 - half) * fits(rate, GEAR_RATE),
        ),
        (
            Cause::AxisError,
            (1.0 - 0.75 * polar) * across * fits(error, 0.35),
        ),
    ]
}

/// The rate by which a gear's error passes for drift, as a part of the sky's: 50″ to each side in 5 min are 0.07; twice
/// that is left for worse gears and slipping ones (common practice, no source).
const GEAR_RATE: f64 = 0.3;

/// Rival causes of drift by its length alone.
fn by_length(seen: &Inspection, told: &NightTold) -> Vec<(Cause, f64)> {
    let Some((t, scale)) = told
        .exposure_s
        .zip(told.scale_arcsec_px)
        .filter(|(t, _)| *t > 0.0)
    else {
        let long = step(seen.motion.length_px, 5.0, 15.0);
        return vec![
            (Cause::TrackerOff, 0.2 + 0.6 * long),
            (Cause::AxisError, 0.5 - 0.3 * long),
            (Cause::PeriodicError, 0.2 - 0.15 * long),
            (Cause::WrongHemisphere, 0.05 + 0.1 * long),
        ];
    };
    let rate = seen.motion.middle_px * scale / (206_264.8 * SIDEREAL_RAD_S * t);
    let off = step(rate, 0.1, 0.4) * (1.0 - step(rate, 1.05, 1.3));
    let wrong = step(rate, 1.05, 1.3);
    vec![
        (Cause::TrackerOff, off),
        (Cause::WrongHemisphere, wrong + 0.1 * off),
        (Cause::AxisError, 0.7 * (1.0 - step(rate, 0.1, 0.3))),
        (Cause::PeriodicError, 0.3 * (1.0 - step(rate, 0.1, 0.3))),
    ]
}

/// The stars' width against sharp ones', the drift taken out.
fn width(seen: &Inspection, told: &NightTold, weights: &mut Vec<(Cause, f64)>) {
    let sharp = told.sharp_px.unwrap_or(SHARP_PX);
    // Where the lens's edge is soft, its best place tells the focus.
    let wide = (seen.growth.least_px / sharp - 1.0) / MINDED;
    let slack = if told.sharp_px.is_some() { 1.0 } else { 0.8 };
    let p = &seen.profile;
    let ring = step(1.0 - p.hollow, 0.03, 0.2);
    let hazy = step(p.halo, 0.18, 0.3);
    // Coma widens stars as well.
    let focus = weight(slack * wide.max(0.0)) * (1.0 - 0.8 * comatic(seen)) + 8.0 * ring;
    weights.push((Cause::Focus, focus * (1.0 - 0.9 * hazy * (1.0 - ring))));
    let lost = told.starlight.map_or(0.0, |s| (1.0 - s).max(0.0) / MINDED);
    let haze = ((p.halo - 0.18) / 0.1).max(0.0);
    weights.push((
        Cause::Dew,
        told.trusted(weight(haze) * (1.0 - ring) + weight(haze.min(1.0) * lost)),
    ));
}

fn growth(seen: &Inspection, told: &NightTold, weights: &mut Vec<(Cause, f64)>) {
    let g = &seen.growth;
    let sure = (1.0 - g.scatter).clamp(0.3, 1.0);
    let total = told.trusted(weight(sure * (g.worst - 1.15).max(0.0) / MINDED));
    // A fisheye's circle is softer where the horizon's air is, and its field is no plane's.
    let lopsided = if told.fisheye || !told.identified {
        0.0
    } else {
        step(g.lopsided, 0.45, 0.8)
    };
    weights.push((Cause::Tilt, total * lopsided));
    let round = told
        .trusted(weight(sure * (g.corners - 1.0).max(0.0) / MINDED))
        .max(0.5 * total);
    weights.push((Cause::Aberration, round * (1.0 - lopsided)));
}

/// What the camera's own noise may add to the sky's before a longer exposure is advised first. Common practice
/// wants 0.05 to 0.1; a frame of the tracker that has twice that is not spoilt by it.
const READ_SHARE: f64 = 0.25;

/// Starlight that neighbours share from which on a photographer begins to mind: a tenth of the light (common practice,
/// no source). Clear nights leave up to 0.08 magnitudes.
const MINDED_PATCHY_MAG: f64 = 0.11;
/// Times chance between which such structure becomes sure.
const SURE_PATCHY: [f64; 2] = [2.5, 5.0];

/// More is no surer.
const MOST_CLOUD: f64 = 2.0;

fn sky(seen: &Inspection, told: &NightTold, weights: &mut Vec<(Cause, f64)>) {
    if let Some(veil) = &told.veil {
        let patchy = veil.patchy.map_or(0.0, |p| {
            p.mag * step(p.times_chance, SURE_PATCHY[0], SURE_PATCHY[1])
        });
        let severity = (patchy / MINDED_PATCHY_MAG)
            .max(veil.blocked / 0.25)
            .min(MOST_CLOUD);
        weights.push((Cause::Cloud, told.trusted(weight(severity))));
    }
    weights.push((Cause::Moon, moonlit(told)));
    weights.push((
        Cause::UnderExposed,
        told.trusted(weight(read_noise_share(seen, told) / READ_SHARE)),
    ));
    let e = &seen.exposure;
    let burnt = (e.sky / 0.25).max(e.clipped / 0.08).max(e.clipped_stars / 0.9);
    weights.push((Cause::OverExposed, weight(burnt)));
    merge(weights);
}

/// Sky without moon, V mag/arcsec² (Patat 2008: 21.6 to 22.0 at good places).
const DARK_MAG: f64 = 21.8;
/// Part of the moon's share that the frame itself must show.
const SHOWN: f64 = 0.6;

/// Weight of moonlight: as the almanac has it, where the sky measured is as bright as it would be then.
fn moonlit(told: &NightTold) -> f64 {
    let Some(moon) = told.moon else { return 0.0 };
    let full = weight(moon.cost_mag / 0.5);
    match told.sky_mag {
        Some(seen) if seen > DARK_MAG - SHOWN * moon.cost_mag => 0.0,
        Some(_) => full,
        // Said beside the rest, but no verdict.
        None => full.min(0.6),
    }
}

fn merge(weights: &mut Vec<(Cause, f64)>) {
    weights.sort_by_key(|w| w.0);
    weights.dedup_by(|later, first| {
        let same = later.0 == first.0;
        if same {
            first.1 += later.1;
        }
        same
    });
}
