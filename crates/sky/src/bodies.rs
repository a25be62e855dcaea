//! Sun and moon from the Earth's centre, and how much of the moon is lit.

use nalgebra::{UnitVector3, Vector3};

use crate::ephemeris::{self, AU_KM, LIGHT_KM_A_DAY, SolarBody};
use crate::{Angle, DateError, EarthOrientation, Instant, Observer, PlaceError, Site, Target};

/// A body as seen from somewhere.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Body {
    /// Apparent direction in ICRS axes.
    pub direction: UnitVector3<f64>,
    /// Distance in kilometres.
    pub distance_km: f64,
}

/// The sun from the centre of the Earth, light time and aberration in. Within 0.03″ of JPL's DE440.
///
/// # Errors
/// A date outside 1990 to 2060.
pub fn sun(instant: Instant) -> Result<Body, DateError> {
    from_the_centre(SolarBody::Sun, instant)
}

/// The moon from the centre of the Earth, or from `site` when one is given (up to 1° of parallax; UT1 is taken as
/// UTC, 0.2″ in it at most). Within 0.03″ of JPL's DE440.
///
/// # Errors
/// A date outside 1990 to 2060; a site that is none.
pub fn moon(instant: Instant, site: Option<&Site>) -> Result<Body, PlaceError> {
    let Some(site) = site else {
        return Ok(from_the_centre(SolarBody::Moon, instant)?);
    };
    let observer = Observer::new(site, instant, EarthOrientation::default())?;
    let (direction, distance_km) = observer.icrs(&Target::Body(SolarBody::Moon));
    Ok(Body {
        direction,
        distance_km: distance_km.unwrap_or_default(),
    })
}

/// The moon's phase angle (sun, moon, Earth): 0° at full moon, 180° at new (Meeus 1998, eq. 48.3), from the
/// Earth's centre.
///
/// # Errors
/// A date outside 1990 to 2060.
pub fn moon_phase_angle(instant: Instant) -> Result<Angle, DateError> {
    let (sun, moon) = (sun(instant)?, from_the_centre(SolarBody::Moon, instant)?);
    let cos = sun.direction.dot(&moon.direction).clamp(-1.0, 1.0);
    let sin = (1.0 - cos * cos).sqrt();
    let angle = (sun.distance_km * sin).atan2(moon.distance_km - sun.distance_km * cos);
    Ok(Angle::from_rad(angle))
}

/// The lit part of the moon's disc, 0 to 1 (Meeus 1998, eq. 48.1), from the Earth's centre.
///
/// # Errors
/// A date outside 1990 to 2060.
pub fn moon_illuminated_fraction(instant: Instant) -> Result<f64, DateError> {
    Ok((1.0 + moon_phase_angle(instant)?.cos()) / 2.0)
}

fn from_the_centre(body: SolarBody, instant: Instant) -> Result<Body, DateError> {
    ephemeris::check_date(instant)?;
    let days = ephemeris::days(instant);
    let (earth, velocity) = ephemeris::earth(days);
    let light = ephemeris::light_line(|days| ephemeris::barycentric(body, days), &earth, days);
    let from_sun = (earth - ephemeris::barycentric(SolarBody::Sun, days)).norm() / AU_KM;
    let v = velocity / LIGHT_KM_A_DAY;
    let natural = light.line.normalize();
    let inverse_lorentz = (1.0 - v.norm_squared()).sqrt();
    let proper = sofars::astro::ab(&natural.into(), &v.into(), from_sun, inverse_lorentz);
    Ok(Body {
        direction: UnitVector3::new_normalize(Vector3::from(proper)),
        distance_km: light.distance_km,
    })
}
