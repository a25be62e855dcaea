//! The land's brightness beside the sky's.

use crate::exposure::Exposure;
use crate::field::{FieldError, Range, check};

/// Reflected-light meter constant K, cd·s/m² (ISO 2720: 10.6 to 13.4; 12.5 is what meters use).
pub const METER_CONSTANT: f64 = 12.5;

/// EV100 of a sky of `mag_per_arcsec2`: L = 10.8e4·10^(−0.4μ) cd/m², EV100 = log2(100·L/K).
///
/// # Errors
/// A brightness that is no finite number.
///
/// ```
/// use nightloom_optics::land::sky_ev100;
/// assert!((sky_ev100(21.5)? + 8.85).abs() < 0.005);
/// # Ok::<(), nightloom_optics::FieldError>(())
/// ```
pub fn sky_ev100(mag_per_arcsec2: f64) -> Result<f64, FieldError> {
    check(
        "the sky's brightness in mag/arcsec²",
        mag_per_arcsec2,
        Range::Finite,
        "21.5",
    )?;
    let luminance = 10.8e4 * 10f64.powf(-0.4 * mag_per_arcsec2);
    Ok((100.0 * luminance / METER_CONSTANT).log2())
}

/// How land and sky come to stand beside each other.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct SkyMatch {
    /// Stops that the sky stands above middle grey as exposed.
    pub sky_stops: f64,
    /// Stops that the land stands above middle grey as exposed.
    pub land_stops: f64,
    /// Stops between sky and land as the eye would see them there: positive, the sky is brighter.
    pub natural_stops: f64,
    /// Stops to add to the land (negative: to take off) so that it stands as far below the sky as
    /// wanted; by exposure, or at the desk.
    pub add_stops: f64,
    /// The land's exposure with the time changed by that.
    pub land: Exposure,
}

/// What to change in the land's exposure so that it is drawn `below_stops` darker than the sky.
/// Both are drawn EV100 of the light less EV100 of the exposure above middle grey.
///
/// # Errors
/// Light or stops that are no finite numbers; an exposure that is not above zero.
pub fn match_land_to_sky(
    sky_ev100: f64,
    sky: &Exposure,
    land_ev100: f64,
    land: &Exposure,
    below_stops: f64,
) -> Result<SkyMatch, FieldError> {
    check("the sky's light in EV100", sky_ev100, Range::Finite, "-8.85")?;
    check("the light on the land in EV100", land_ev100, Range::Finite, "-5")?;
    check("the stops of land below sky", below_stops, Range::Finite, "1")?;
    for e in [sky, land] {
        check("the exposure time in seconds", e.seconds, Range::Positive, "60")?;
        check("the f-number", e.f_number, Range::Positive, "2.8")?;
        check("the ISO", e.iso, Range::Positive, "800")?;
    }
    let sky_stops = sky_ev100 - sky.ev100();
    let land_stops = land_ev100 - land.ev100();
    let add_stops = sky_stops - below_stops - land_stops;
    Ok(SkyMatch {
        sky_stops,
        land_stops,
        natural_stops: sky_ev100 - land_ev100,
        add_stops,
        land: Exposure {
            seconds: land.seconds * add_stops.exp2(),
            ..*land
        },
    })
}
