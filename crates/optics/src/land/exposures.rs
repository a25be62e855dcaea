//! Exposures of the land from the light on it.

use crate::exposure::Exposure;
use crate::field::{FieldError, Range, check};

/// How the land is to be exposed.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct LandExposureSettings {
    /// ISO speed: the lowest one, where the sensor holds most.
    pub iso: f64,
    /// Apertures to choose from.
    pub f_numbers: Vec<f64>,
    /// Stops above the exposure that draws the land middle grey; night land is shown darker, so about
    /// −1 (common practice, no source).
    pub stops: f64,
    /// Exposures longer than this are split into several, seconds.
    pub longest_s: f64,
}

impl Default for LandExposureSettings {
    /// ISO 100, whole stops from f/1.4 to f/8, one stop below middle grey, at most five minutes.
    fn default() -> Self {
        Self {
            iso: 100.0,
            f_numbers: vec![1.4, 2.0, 2.8, 4.0, 5.6, 8.0],
            stops: -1.0,
            longest_s: 300.0,
        }
    }
}

/// One of several equal exposures.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct LandExposure {
    /// Time of each frame, f-number and ISO.
    pub exposure: Exposure,
    /// How many such frames, averaged, have the light.
    pub frames: u32,
    /// Seconds of light altogether.
    pub total_s: f64,
}

/// Exposures of land whose light measures `ev100` (moon, twilight or the night's own), one for each
/// aperture, fastest first: t = N²·(100/ISO)·2^(stops − EV100). The f-numbers count as written.
///
/// # Errors
/// A light or stops that are no finite numbers; an ISO, an f-number or a longest exposure that is not
/// above zero.
pub fn land_exposures(ev100: f64, settings: &LandExposureSettings) -> Result<Vec<LandExposure>, FieldError> {
    check("the light on the land in EV100", ev100, Range::Finite, "-3")?;
    check("the stops above middle grey", settings.stops, Range::Finite, "-1")?;
    check("the ISO", settings.iso, Range::Positive, "100")?;
    check(
        "the longest exposure in seconds",
        settings.longest_s,
        Range::Positive,
        "300",
    )?;
    let one = |&f_number: &f64| {
        check("the f-number", f_number, Range::Positive, "2.8")?;
        let total_s = f_number * f_number * (100.0 / settings.iso) * (settings.stops - ev100).exp2();
        let frames = (total_s / settings.longest_s - 1e-9).ceil().clamp(1.0, 1e9);
        Ok(LandExposure {
            exposure: Exposure {
                seconds: total_s / frames,
                f_number,
                iso: settings.iso,
            },
            frames: frames as u32,
            total_s,
        })
    };
    let mut all: Vec<LandExposure> = settings.f_numbers.iter().map(one).collect::<Result<_, _>>()?;
    all.sort_by(|a, b| a.total_s.total_cmp(&b.total_s));
    Ok(all)
}
