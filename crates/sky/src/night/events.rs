//! What the sun and the moon do in one night.

use serde::Serialize;

use super::path::Path;
use super::show;
use super::sky::{NightSky, moon_crossings, sun_crossings, transits};
use super::span::Span;
use crate::{DateError, Instant, moon_illuminated_fraction};

/// The sun's centre at sunset and sunrise: half its disc and 34′ of refraction below the horizon, degrees.
const SUNSET_DEG: f64 = -0.8333;
/// The ends of the twilights, degrees.
const CIVIL_DEG: f64 = -6.0;
const NAUTICAL_DEG: f64 = -12.0;
const ASTRONOMICAL_DEG: f64 = -18.0;

/// The passage of the meridian on the zenith's side of the pole.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Culmination {
    /// When.
    #[serde(serialize_with = "show::instant")]
    pub at: Instant,
    /// Airless altitude then, degrees.
    #[serde(serialize_with = "show::fine")]
    pub altitude_deg: f64,
}

/// The sun's evening and morning: airless altitudes of its centre, as at sea level (no dip of the horizon).
///
/// Dusk is the first crossing down after the window's beginning, dawn the first crossing up after that dusk (after
/// the window's beginning, if there is no dusk). `None` where that does not happen before the window's end.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct SunEvents {
    /// −0.8333°, down.
    #[serde(serialize_with = "show::maybe")]
    pub sunset: Option<Instant>,
    /// −6°, down.
    #[serde(serialize_with = "show::maybe")]
    pub civil_dusk: Option<Instant>,
    /// −12°, down.
    #[serde(serialize_with = "show::maybe")]
    pub nautical_dusk: Option<Instant>,
    /// −18°, down.
    #[serde(serialize_with = "show::maybe")]
    pub astronomical_dusk: Option<Instant>,
    /// −18°, up.
    #[serde(serialize_with = "show::maybe")]
    pub astronomical_dawn: Option<Instant>,
    /// −12°, up.
    #[serde(serialize_with = "show::maybe")]
    pub nautical_dawn: Option<Instant>,
    /// −6°, up.
    #[serde(serialize_with = "show::maybe")]
    pub civil_dawn: Option<Instant>,
    /// −0.8333°, up.
    #[serde(serialize_with = "show::maybe")]
    pub sunrise: Option<Instant>,
    /// Upper transits of the meridian.
    pub culminations: Vec<Culmination>,
    /// Lower transits of the meridian: the deepest of the night, but for seconds.
    pub lower_culminations: Vec<Culmination>,
}

impl SunEvents {
    pub(super) fn of(sky: &NightSky<'_>) -> Self {
        let pair = |altitude_deg| dusk_and_dawn(&sky.sun, altitude_deg);
        let (sunset, sunrise) = pair(SUNSET_DEG);
        let (civil_dusk, civil_dawn) = pair(CIVIL_DEG);
        let (nautical_dusk, nautical_dawn) = pair(NAUTICAL_DEG);
        let (astronomical_dusk, astronomical_dawn) = pair(ASTRONOMICAL_DEG);
        Self {
            sunset,
            civil_dusk,
            nautical_dusk,
            astronomical_dusk,
            astronomical_dawn,
            nautical_dawn,
            civil_dawn,
            sunrise,
            culminations: culminations(&sky.sun, true),
            lower_culminations: culminations(&sky.sun, false),
        }
    }
}

fn dusk_and_dawn(sun: &Path, altitude_deg: f64) -> (Option<Instant>, Option<Instant>) {
    let all = sun_crossings(sun, altitude_deg);
    let dusk = all.iter().find(|c| !c.up).map(|c| c.at);
    let dawn = all.iter().find(|c| c.up && dusk.is_none_or(|d| c.at > d));
    let instant = |at: f64| sun.start().plus_seconds(at);
    (dusk.map(instant), dawn.map(|c| instant(c.at)))
}

/// The moon's night.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct MoonEvents {
    /// Upper limb up through the horizon: topocentric altitude of the centre −34′ less the semidiameter.
    #[serde(serialize_with = "show::list")]
    pub rises: Vec<Instant>,
    /// Upper limb down through the horizon.
    #[serde(serialize_with = "show::list")]
    pub sets: Vec<Instant>,
    /// The lit part of its disc from the Earth's centre at the window's midnight, 0 to 1.
    #[serde(serialize_with = "show::fine")]
    pub illuminated_fraction: f64,
    /// Topocentric airless altitude of its centre at the window's midnight, degrees.
    #[serde(serialize_with = "show::fine")]
    pub altitude_deg: f64,
    /// Upper transits of the meridian.
    pub culminations: Vec<Culmination>,
    /// When its centre stands over the skyline, so that its light reaches the standpoint.
    pub over_skyline: Vec<Span>,
}

impl MoonEvents {
    pub(super) fn of(sky: &NightSky<'_>) -> Result<Self, DateError> {
        let window = &sky.window;
        let all = moon_crossings(&sky.moon);
        let those = |up: bool| {
            let wanted = all.iter().filter(move |c| c.up == up);
            wanted.map(|c| window.from.plus_seconds(c.at)).collect()
        };
        let midnight = window.midnight.seconds_since(window.from);
        Ok(Self {
            rises: those(true),
            sets: those(false),
            illuminated_fraction: moon_illuminated_fraction(window.midnight)?,
            altitude_deg: sky.moon.altitude(midnight).deg(),
            culminations: culminations(&sky.moon, true),
            over_skyline: sky.over_skyline(&sky.moon).after(window.from),
        })
    }
}

impl Path {
    /// Passages of the meridian on the zenith's side of the pole.
    pub fn culminations(&self) -> Vec<Culmination> {
        culminations(self, true)
    }
}

/// Upper or lower transits, with the altitude.
fn culminations(path: &Path, upper: bool) -> Vec<Culmination> {
    let wanted = transits(path).into_iter().filter(|c| c.up == upper);
    wanted
        .map(|c| Culmination {
            at: path.start().plus_seconds(c.at),
            altitude_deg: path.altitude(c.at).deg(),
        })
        .collect()
}
