//! What raising the ISO does, and what it does not.

use super::figures::Sensor;
use crate::field::FieldError;
use crate::noise::{READ_NOISE_SHARE, sky_limited_s};

/// One ISO against another, the exposure time and the f-number left alone.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct IsoEffect {
    /// The two ISO speeds.
    pub iso: [f64; 2],
    /// Read noise at both, electrons.
    pub read_noise_e: [f64; 2],
    /// Full well at both, electrons.
    pub full_well_e: [f64; 2],
    /// Stops by which stars burn out sooner.
    pub headroom_lost_stops: f64,
    /// Stops between full well and read noise that are lost; negative when gained.
    pub dynamic_range_lost_stops: f64,
    /// Exposure in which read noise adds 5 % to the sky's noise, seconds, at both.
    pub sky_limited_s: [f64; 2],
    /// Stops by which the picture on the camera's screen is brighter. Not one electron more is caught.
    pub screen_stops: f64,
    /// All that in a sentence.
    pub said: String,
}

/// What changes between two ISO speeds of a sensor under a sky of so many electrons per second.
///
/// # Errors
/// An ISO or a sky rate that is not above zero; a sensor without ISO settings.
pub fn iso_effect(sensor: &Sensor, from: f64, to: f64, sky_e_per_s: f64) -> Result<IsoEffect, FieldError> {
    let (a, b) = (sensor.at_iso(from)?, sensor.at_iso(to)?);
    let limit = |r: f64| sky_limited_s(sky_e_per_s, r, READ_NOISE_SHARE);
    let mut effect = IsoEffect {
        iso: [from, to],
        read_noise_e: [a.read_noise_e, b.read_noise_e],
        full_well_e: [a.full_well_e, b.full_well_e],
        headroom_lost_stops: (a.full_well_e / b.full_well_e).log2(),
        dynamic_range_lost_stops: a.dynamic_range_stops() - b.dynamic_range_stops(),
        sky_limited_s: [limit(a.read_noise_e)?, limit(b.read_noise_e)?],
        screen_stops: (to / from).log2(),
        said: String::new(),
    };
    effect.said = sentence(&effect);
    Ok(effect)
}

fn sentence(e: &IsoEffect) -> String {
    let [from, to] = e.iso;
    let [before, after] = e.read_noise_e;
    let read = if (before - after).abs() < 0.05 {
        format!("the read noise stays at {before:.1} e⁻")
    } else {
        let way = if after < before { "falls" } else { "rises" };
        format!("the read noise {way} from {before:.1} to {after:.1} e⁻")
    };
    let lost = e.headroom_lost_stops;
    let room = match lost {
        l if l.abs() < 0.05 => "stars burn out at the same light".to_owned(),
        l if l > 0.0 => format!("stars burn out {l:.1} stops sooner"),
        l => format!("stars burn out {:.1} stops later", -l),
    };
    format!(
        "From ISO {from:.0} to ISO {to:.0} {read} and {room}; the light caught, and with it the noise of \
         sky and stars, stays the same."
    )
}
