//! What time on a subject is worth, through a night.

use serde::Serialize;

use super::path::{Path, altitude_of};
use super::show;
use super::sky::NightSky;
use super::span::Spans;
use crate::brightness::{Lights, MoonLight, SkyPatch};
use crate::{Angle, Instant};

/// The light of the night is looked at this often, seconds. A moonrise changes the grade within some minutes.
const STEP_S: f64 = 300.0;

/// The night at one instant, for drawing.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct NightSample {
    /// When.
    #[serde(serialize_with = "show::instant")]
    pub at: Instant,
    /// Airless altitude of the sun's centre, degrees.
    #[serde(serialize_with = "show::coarse")]
    pub sun_altitude_deg: f64,
    /// Airless altitude of the moon's centre, degrees.
    #[serde(serialize_with = "show::coarse")]
    pub moon_altitude_deg: f64,
    /// Brightness of the zenith, V magnitudes per square arcsecond.
    #[serde(serialize_with = "show::coarse")]
    pub zenith_mag: f64,
    /// Light on level land, lux.
    pub land_lux: f64,
    /// One subject at that instant, if one was asked for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub subject: Option<SubjectSample>,
}

/// A subject at one instant.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct SubjectSample {
    /// Apparent altitude, degrees.
    #[serde(serialize_with = "show::coarse")]
    pub altitude_deg: f64,
    /// Azimuth, degrees.
    #[serde(serialize_with = "show::coarse")]
    pub azimuth_deg: f64,
    /// Apparent altitude of the land's edge below it, degrees.
    #[serde(serialize_with = "show::coarse")]
    pub skyline_deg: f64,
    /// Brightness of the sky there, V magnitudes per square arcsecond.
    #[serde(serialize_with = "show::coarse")]
    pub sky_mag: f64,
    /// What the moon costs there, magnitudes.
    #[serde(serialize_with = "show::coarse")]
    pub moon_cost_mag: f64,
    /// What a minute is worth, 0 to 1.
    #[serde(serialize_with = "show::coarse")]
    pub grade: f64,
}

/// Worth of a set of spans.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Worth {
    /// Minutes times grade.
    pub(super) graded_minutes: f64,
    /// Mean of what the moon costs, magnitudes; none without a minute.
    pub(super) moon_cost_mag: Option<f64>,
    /// When the grade is best, seconds, with the grade.
    pub(super) best: Option<(f64, f64)>,
}

impl NightSky<'_> {
    /// The lamps of the sky at seconds after the window's beginning.
    pub fn lights(&self, seconds: f64) -> Lights {
        let (sun, moon) = (self.sun.direction(seconds), self.moon.direction(seconds));
        let (sun_km, moon_km) = (self.sun.distance_km(seconds), self.moon.distance_km(seconds));
        let cos = sun.dot(&moon).clamp(-1.0, 1.0);
        // Meeus 1998, eq. 48.3, from the site.
        let phase = (sun_km * (1.0 - cos * cos).sqrt()).atan2(moon_km - sun_km * cos);
        Lights {
            sun_altitude: altitude_of(&sun),
            moon: MoonLight {
                altitude: altitude_of(&moon),
                phase: Angle::from_rad(phase),
                distance_km: moon_km,
            },
        }
    }

    /// The patch of sky behind what goes this way.
    fn patch(&self, path: &Path, seconds: f64) -> SkyPatch {
        let direction = path.direction(seconds);
        let moon = self.moon.direction(seconds);
        SkyPatch {
            altitude: self.nights.air.lifted_altitude(altitude_of(&direction)),
            moon_separation: Angle::from_rad(direction.dot(&moon).clamp(-1.0, 1.0).acos()),
        }
    }

    /// What the spans are worth for what goes this way.
    pub(super) fn worth(&self, path: &Path, spans: &Spans) -> Worth {
        let model = &self.nights.standpoint.sky;
        let (mut graded_s, mut cost_s) = (0.0, 0.0);
        let mut best: Option<(f64, f64)> = None;
        for (from, to) in spans.iter() {
            let cells = ((to - from) / STEP_S).ceil().max(1.0);
            let step = (to - from) / cells;
            for n in 0..cells as usize {
                let at = from + (n as f64 + 0.5) * step;
                let (lights, patch) = (self.lights(at), self.patch(path, at));
                let grade = model.grade(&lights, &patch);
                graded_s += grade * step;
                cost_s += model.moon_cost_mag(&lights, &patch) * step;
                if best.is_none_or(|b| grade > b.1) {
                    best = Some((at, grade));
                }
            }
        }
        let seconds = spans.seconds();
        Worth {
            graded_minutes: graded_s / 60.0,
            moon_cost_mag: (seconds > 0.0).then(|| cost_s / seconds),
            best,
        }
    }

    /// The night at `count` instants from its first to its last, at least two; with a subject if a way is given.
    pub fn samples(&self, count: usize, path: Option<&Path>) -> Vec<NightSample> {
        let count = count.max(2);
        let step = self.window.length_s() / (count - 1) as f64;
        (0..count).map(|n| self.sample(n as f64 * step, path)).collect()
    }

    fn sample(&self, seconds: f64, path: Option<&Path>) -> NightSample {
        let model = &self.nights.standpoint.sky;
        let lights = self.lights(seconds);
        let zenith = SkyPatch {
            altitude: Angle::from_deg(90.0),
            moon_separation: Angle::from_deg(90.0) - lights.moon.altitude,
        };
        let subject = |path: &Path| {
            let patch = self.patch(path, seconds);
            let azimuth = path.azimuth(seconds);
            SubjectSample {
                altitude_deg: patch.altitude.deg(),
                azimuth_deg: azimuth.deg(),
                skyline_deg: self.nights.ridge.altitude(azimuth).deg(),
                sky_mag: model.parts(&lights, &patch).total().mag(),
                moon_cost_mag: model.moon_cost_mag(&lights, &patch),
                grade: model.grade(&lights, &patch),
            }
        };
        let land = model.land(&lights);
        NightSample {
            at: self.window.from.plus_seconds(seconds),
            sun_altitude_deg: lights.sun_altitude.deg(),
            moon_altitude_deg: lights.moon.altitude.deg(),
            zenith_mag: model.parts(&lights, &zenith).total().mag(),
            land_lux: land.moon_lux + land.twilight_lux + land.night_sky_lux,
            subject: path.map(subject),
        }
    }
}
