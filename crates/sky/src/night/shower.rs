//! How many meteors of a shower one sees, through a night.

use serde::Serialize;

use super::aim::Aim;
use super::path::Path;
use super::show;
use super::sky::NightSky;
use super::span::Span;
use crate::brightness::SkyPatch;
use crate::subjects::Subject;
use crate::subjects::showers::{Shower, limiting_mag};
use crate::subjects::zodiacal::solar_longitude;
use crate::{Angle, DateError, Instant};

/// The rate is looked at this often, seconds.
const STEP_S: f64 = 300.0;

/// A shower in a span of a night.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct ShowerRate {
    /// Meteors an hour that one observer sees at the best moment, under this sky and moon. Answers are sorted by it.
    #[serde(serialize_with = "show::coarse")]
    pub rate_per_h: f64,
    /// Meteors in the whole span.
    #[serde(serialize_with = "show::coarse")]
    pub meteors: f64,
    /// The zenithal hourly rate at the best moment.
    #[serde(serialize_with = "show::coarse")]
    pub zenithal_hourly_rate: f64,
    /// The radiant's apparent altitude then, degrees.
    #[serde(serialize_with = "show::coarse")]
    pub radiant_altitude_deg: f64,
    /// The faintest star overhead then, magnitudes.
    #[serde(serialize_with = "show::coarse")]
    pub limiting_mag: f64,
    /// The sun's ecliptic longitude then, equinox J2000, degrees.
    #[serde(serialize_with = "show::coarse")]
    pub solar_longitude_deg: f64,
    /// The best moment.
    #[serde(skip)]
    pub best_at: Instant,
}

impl NightSky<'_> {
    /// A shower between two moments, seconds after the window's beginning; none while its rate is not known.
    ///
    /// # Errors
    /// A date outside the ephemeris.
    pub(super) fn shower_rate(
        &self,
        shower: &Shower,
        path: &Path,
        (from, to): (f64, f64),
    ) -> Result<Option<ShowerRate>, DateError> {
        let cells = ((to - from) / STEP_S).ceil().max(1.0);
        let step = (to - from) / cells;
        let mut best: Option<ShowerRate> = None;
        let mut meteors = 0.0;
        for n in 0..cells as usize {
            let Some(rate) = self.shower_at(shower, path, from + (n as f64 + 0.5) * step)? else {
                return Ok(None);
            };
            meteors += rate.rate_per_h * step / 3600.0;
            if best.is_none_or(|b| rate.rate_per_h > b.rate_per_h) {
                best = Some(rate);
            }
        }
        Ok(best.map(|best| ShowerRate { meteors, ..best }))
    }

    /// A shower's best span in the night with its rate and where its radiant stands then; none while it is not active,
    /// its rate not known, or its radiant not over the skyline in the dark.
    ///
    /// # Errors
    /// A date outside the ephemeris.
    pub fn best_of_shower(&self, subject: &Subject) -> Result<Option<(Span, ShowerRate, Aim)>, DateError> {
        let Some(shower) = subject.shower().filter(|s| s.is_active(self.window.evening)) else {
            return Ok(None);
        };
        let path = self.path_of(subject)?;
        let mut best: Option<(Span, ShowerRate)> = None;
        for (from, to) in self.over_skyline(&path).and(&self.night).iter() {
            let Some(rate) = self.shower_rate(shower, &path, (from, to))? else {
                continue;
            };
            if best.is_none_or(|(_, b)| rate.rate_per_h > b.rate_per_h) {
                let span = Span {
                    from: self.window.from.plus_seconds(from),
                    to: self.window.from.plus_seconds(to),
                };
                best = Some((span, rate));
            }
        }
        Ok(best.map(|(span, rate)| {
            let aim = self.aim(&path, rate.best_at.seconds_since(self.window.from));
            (span, rate, aim)
        }))
    }

    fn shower_at(&self, shower: &Shower, path: &Path, seconds: f64) -> Result<Option<ShowerRate>, DateError> {
        let at = self.window.from.plus_seconds(seconds);
        let longitude = solar_longitude(at)?;
        let Some(zhr) = shower.zhr_at(longitude) else {
            return Ok(None);
        };
        let lights = self.lights(seconds);
        let overhead = SkyPatch {
            altitude: Angle::from_deg(90.0),
            moon_separation: Angle::from_deg(90.0) - lights.moon.altitude,
        };
        let sky = self.nights.standpoint.sky.parts(&lights, &overhead).total().mag();
        let altitude = self.nights.air.lifted_altitude(path.altitude(seconds));
        let faintest = limiting_mag(sky);
        Ok(Some(ShowerRate {
            rate_per_h: shower.hourly_rate(zhr, altitude, faintest),
            meteors: 0.0,
            zenithal_hourly_rate: zhr,
            radiant_altitude_deg: altitude.deg(),
            limiting_mag: faintest,
            solar_longitude_deg: longitude.deg(),
            best_at: at,
        }))
    }
}
