//! A ladder of equivalent settings, up to where a limit is met.

use super::{Setting, StopsError};
use crate::Exposure;

/// How far each setting may go. What is `None` ends with the series; apertures stay as they are.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct LadderLimits {
    /// Longest time, seconds.
    pub longest_s: Option<f64>,
    /// Shortest time, seconds.
    pub shortest_s: Option<f64>,
    /// Highest ISO.
    pub highest_iso: Option<f64>,
    /// Lowest ISO.
    pub lowest_iso: Option<f64>,
    /// Widest aperture, the smallest f-number.
    pub widest: Option<f64>,
    /// Narrowest aperture, the largest f-number.
    pub narrowest: Option<f64>,
}

/// A limit that ended a ladder.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Limit {
    /// No longer time.
    Longest,
    /// No shorter time.
    Shortest,
    /// No higher ISO.
    HighestIso,
    /// No lower ISO.
    LowestIso,
    /// No wider aperture.
    Widest,
    /// No narrower aperture.
    Narrowest,
}

/// One step of a ladder.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
pub struct Rung {
    /// The settings as the trade writes them.
    pub settings: Exposure,
    /// Time gained since the first rung, stops (negative towards shorter times).
    pub stops: f64,
}

/// Equivalent settings, one step of time apart.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct Ladder {
    /// From the first settings on.
    pub rungs: Vec<Rung>,
    /// What stands against one step more; where two are named, both do together.
    pub ended_by: Vec<Limit>,
}

/// Thirds that fit between a value and its limit, nearly a third counting as one.
const FULL_THIRD: f64 = 1e-6;

/// Equivalents of `from`, `step_thirds` of a stop apart (positive to longer times, negative to shorter).
///
/// Longer times are paid with lower ISO until that ends, then with a narrower aperture. Shorter times
/// are paid with a wider aperture first, which gives light, and then with ISO, which gives none.
///
/// # Errors
/// [`StopsError::BeyondLimit`] where `from` is outside the limits; [`StopsError::Value`] for no step.
pub fn ladder(from: &Exposure, step_thirds: i32, limits: &LadderLimits) -> Result<Ladder, StopsError> {
    let sense = step_thirds.signum();
    if sense == 0 {
        return Err(StopsError::Value {
            field: "step".into(),
            what: "the step",
            found: "0".into(),
            expected: "a third of a stop or more, like 3 thirds",
        });
    }
    let bounds = Bounds::new(from, sense, limits)?;
    let mut rungs = vec![Rung {
        settings: *from,
        stops: 0.0,
    }];
    let mut now = *from;
    loop {
        match bounds.step(&now, step_thirds.abs()) {
            Ok(next) => now = next,
            Err(ended_by) => return Ok(Ladder { rungs, ended_by }),
        }
        rungs.push(Rung {
            settings: now,
            stops: rungs.len() as f64 * f64::from(step_thirds) / 3.0,
        });
    }
}

/// The limits that count in one sense.
struct Bounds {
    sense: i32,
    time: f64,
    /// Who pays, in order, and up to where.
    payers: [(Setting, f64, Limit); 2],
}

impl Bounds {
    fn new(from: &Exposure, sense: i32, limits: &LadderLimits) -> Result<Self, StopsError> {
        let end = |setting: Setting, last: bool| {
            let (low, high) = setting.ends();
            setting.marked(if last { high } else { low }).unwrap_or(1.0)
        };
        let aperture = from.f_number;
        let bounds = if sense > 0 {
            let iso = limits
                .lowest_iso
                .unwrap_or_else(|| end(Setting::Iso, false).min(from.iso));
            let narrowest = limits.narrowest.unwrap_or(aperture);
            Self {
                sense,
                time: limits
                    .longest_s
                    .unwrap_or_else(|| end(Setting::Time, true).max(from.seconds)),
                payers: [
                    (Setting::Iso, iso, Limit::LowestIso),
                    (Setting::Aperture, narrowest, Limit::Narrowest),
                ],
            }
        } else {
            let iso = limits
                .highest_iso
                .unwrap_or_else(|| end(Setting::Iso, true).max(from.iso));
            let widest = limits.widest.unwrap_or(aperture);
            Self {
                sense,
                time: limits
                    .shortest_s
                    .unwrap_or_else(|| end(Setting::Time, false).min(from.seconds)),
                payers: [
                    (Setting::Aperture, widest, Limit::Widest),
                    (Setting::Iso, iso, Limit::HighestIso),
                ],
            }
        };
        bounds.holds(from)?;
        Ok(bounds)
    }

    fn holds(&self, from: &Exposure) -> Result<(), StopsError> {
        let time = (Setting::Time, from.seconds, self.time, 1);
        let payers = self.payers.map(|(s, limit, _)| (s, of(from, s), limit, -1));
        for (setting, value, limit, side) in [time].into_iter().chain(payers) {
            if room(setting, value, limit, side * self.sense) < 0 {
                return Err(StopsError::BeyondLimit {
                    field: "limit".into(),
                    found: written(setting, value),
                    limit: written(setting, limit),
                });
            }
        }
        Ok(())
    }

    fn step(&self, now: &Exposure, thirds: i32) -> Result<Exposure, Vec<Limit>> {
        if room(Setting::Time, now.seconds, self.time, self.sense) < thirds {
            let limit = if self.sense > 0 {
                Limit::Longest
            } else {
                Limit::Shortest
            };
            return Err(vec![limit]);
        }
        let mut next = *now;
        next.seconds = moved(Setting::Time, now.seconds, self.sense * thirds);
        let mut owed = thirds;
        for (setting, limit, _) in self.payers {
            let value = of(now, setting);
            let pays = room(setting, value, limit, -self.sense).min(owed);
            owed -= pays;
            let value = moved(setting, value, -self.sense * pays);
            match setting {
                Setting::Iso => next.iso = value,
                _ => next.f_number = value,
            }
        }
        if owed > 0 {
            return Err(self.payers.map(|(_, _, limit)| limit).to_vec());
        }
        Ok(next)
    }
}

fn of(exposure: &Exposure, setting: Setting) -> f64 {
    match setting {
        Setting::Time => exposure.seconds,
        Setting::Aperture => exposure.f_number,
        Setting::Iso => exposure.iso,
    }
}

fn moved(setting: Setting, value: f64, thirds: i32) -> f64 {
    if thirds == 0 {
        return value;
    }
    setting.brighter_marked(value, f64::from(thirds) / 3.0)
}

/// Whole thirds from a value to its limit, counted positive in the sense of more (1) or less (−1) light.
fn room(setting: Setting, value: f64, limit: f64, sense: i32) -> i32 {
    let stops = setting.stops_between(setting.meant(value), setting.meant(limit)) * f64::from(sense);
    (stops * 3.0 + FULL_THIRD).floor() as i32
}

fn written(setting: Setting, value: f64) -> String {
    match setting {
        Setting::Time => format!("{value} s"),
        Setting::Aperture => format!("f/{value}"),
        Setting::Iso => format!("ISO {value}"),
    }
}
