//! How long the land is exposed in its light.

use nightloom_optics::land::{LandExposureSettings, land_exposures};

use super::ShotsError;
use super::hours::{Hours, TWILIGHT_EV100};
use super::settings::{LandLightWanted, Run};

/// Dusk is preferred, when one is awake, until dawn saves more waiting than this, seconds (common practice, no source).
const LESS_WAIT_S: f64 = 3600.0;

impl Hours {
    /// The light on level land when it is taken, EV100 of an incident meter: [`TWILIGHT_EV100`] in twilight, that of the
    /// middle of the longest moonlit span, that at the end of the sky frames' window by night.
    ///
    /// `None` without such a light.
    pub fn land_ev100(&self, light: LandLightWanted) -> Option<f64> {
        match light {
            LandLightWanted::Dusk => self.dusk_light().map(|_| TWILIGHT_EV100),
            LandLightWanted::Dawn => self.dawn_light().map(|_| TWILIGHT_EV100),
            LandLightWanted::Moon => {
                let longest = self
                    .moonlit
                    .iter()
                    .max_by(|a, b| a.minutes().total_cmp(&b.minutes()))?;
                self.ev100_at(longest.from.plus_seconds(longest.minutes() * 30.0))
            }
            LandLightWanted::Night => self.ev100_at(self.sky.to),
        }
    }

    /// Dusk or dawn for the land, whichever has less waiting between it and the sky frames; dusk where there is no telling.
    pub fn land_at_less_wait(&self) -> LandLightWanted {
        let (dusk, dawn) = (self.dusk_light(), self.dawn_light());
        match (dusk, dawn) {
            (Some(dusk), Some(dawn))
                if dawn.seconds_since(self.sky.to) + LESS_WAIT_S < self.sky.from.seconds_since(dusk) =>
            {
                LandLightWanted::Dawn
            }
            (None, Some(_)) => LandLightWanted::Dawn,
            _ => LandLightWanted::Dusk,
        }
    }

    /// Land frames at an aperture and an ISO with the exposure that the light asks for, a stop below middle grey; more
    /// frames than are asked for where one alone would be longer than five minutes. Whole seconds from one second up.
    ///
    /// `None` without such a light.
    ///
    /// # Errors
    /// An f-number or an ISO that cannot be.
    pub fn land_run(
        &self,
        light: LandLightWanted,
        asked: Run,
        f_number: f64,
        iso: f64,
    ) -> Result<Option<Run>, ShotsError> {
        let Some(ev100) = self.land_ev100(light) else {
            return Ok(None);
        };
        let settings = LandExposureSettings {
            iso,
            f_numbers: vec![f_number],
            ..LandExposureSettings::default()
        };
        let found = land_exposures(ev100, &settings)?.into_iter().next();
        Ok(found.map(|one| Run {
            frames: if asked.frames == 0 {
                0
            } else {
                asked.frames.max(one.frames)
            },
            exposure_s: whole(one.exposure.seconds),
            gap_s: asked.gap_s,
            f_number: Some(f_number),
            iso: Some(iso),
        }))
    }
}

/// Interval timers count whole seconds.
fn whole(seconds: f64) -> f64 {
    if seconds >= 1.0 { seconds.round() } else { seconds }
}

/// What the light asks for, next to what is planned.
pub(super) fn land_note(land: &Run, ev100: Option<f64>) -> String {
    let tripod = "tracker off";
    let Some(ev100) = ev100 else { return tripod.into() };
    let planned = land.f_number.zip(land.iso).map(|(n, iso)| {
        let asks_for = (n * n / land.exposure_s).log2() - (iso / 100.0).log2();
        let stops = ev100 - asks_for;
        let side = if stops < 0.0 { "below" } else { "above" };
        format!(", each {:.1} stops {side} middle grey", stops.abs())
    });
    format!("{tripod}; light EV100 {ev100:.1}{}", planned.unwrap_or_default())
}
