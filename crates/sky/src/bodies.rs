//! Where the sun and the moon stand, well enough to say how they light a night.

use nalgebra::{UnitVector3, Vector3};

use crate::{Angle, Instant, Site};

/// Kilometres in an astronomical unit (IAU 2012 resolution B2).
const AU_KM: f64 = 149_597_870.7;
/// Light time for one astronomical unit, days.
const LIGHT_DAYS_PER_AU: f64 = 499.004_783_836 / 86_400.0;
/// Equatorial radius of the Earth (WGS 84), kilometres.
const EARTH_KM: f64 = 6378.137;

/// A body as seen from somewhere.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Body {
    /// Apparent direction in ICRS axes.
    pub direction: UnitVector3<f64>,
    /// Distance in kilometres.
    pub distance_km: f64,
}

/// The sun from the centre of the Earth, light time and aberration in. Within 1″ from 1900 to 2100
/// (`epv00`, after VSOP2000); outside it, the mean motion at the nearer end is not tried and 1900 or 2100
/// is answered.
pub fn sun(instant: Instant) -> Body {
    let (tt, fraction) = instant.julian_date_tt();
    let held = (tt - 2_451_545.0 + fraction).clamp(-36_525.0, 36_525.0);
    let earth = |days: f64| {
        sofars::eph::epv00(2_451_545.0, days).map_or(Vector3::zeros(), |(helio, _)| Vector3::from(helio[0]))
    };
    // The heliocentric Earth one light time ago is the sun's light time and aberration in one.
    let distance = earth(held).norm();
    let place = -earth(held - distance * LIGHT_DAYS_PER_AU);
    Body {
        direction: UnitVector3::new_normalize(place),
        distance_km: distance * AU_KM,
    }
}

/// The moon from the centre of the Earth, or from `site` when one is given (up to 1° of parallax).
/// Within 6″ of JPL's DE421 (`moon98`, after Meeus).
pub fn moon(instant: Instant, site: Option<&Site>) -> Body {
    let (tt, fraction) = instant.julian_date_tt();
    let pv = sofars::eph::moon98(tt, fraction);
    let mut place = Vector3::from(pv[0]) * AU_KM;
    if let Some(site) = site {
        let up = site.ground_from_icrs(instant).inverse() * Vector3::z();
        // The vertical stands in for the geocentric direction: 0.2° at most, 12″ in the moon's place.
        place -= up * (EARTH_KM + site.elevation_m / 1000.0);
    }
    Body {
        direction: UnitVector3::new_normalize(place),
        distance_km: place.norm(),
    }
}

/// The moon's phase angle (sun, moon, Earth): 0° at full moon, 180° at new (Meeus 1998, eq. 48.3).
pub fn moon_phase_angle(instant: Instant) -> Angle {
    let (sun, moon) = (sun(instant), moon(instant, None));
    let cos = sun.direction.dot(&moon.direction).clamp(-1.0, 1.0);
    let sin = (1.0 - cos * cos).sqrt();
    Angle::from_rad((sun.distance_km * sin).atan2(moon.distance_km - sun.distance_km * cos))
}

/// The lit part of the moon's disc, 0 to 1 (Meeus 1998, eq. 48.1).
pub fn moon_illuminated_fraction(instant: Instant) -> f64 {
    (1.0 + moon_phase_angle(instant).cos()) / 2.0
}
