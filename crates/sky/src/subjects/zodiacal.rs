//! The ecliptic and the zodiacal light that lies along it.

use nalgebra::{Rotation3, UnitVector3, Vector3};

use super::{Subject, SubjectKind, Whereabouts};
use crate::{Angle, DateError, Instant, Target};

/// Obliquity of the ecliptic at J2000, arcseconds (IAU 2006).
const OBLIQUITY_ARCSEC: f64 = 84_381.406;
/// How far from the sun the light's cone is photographed, degrees: bright enough, and above the twilight.
const CONE_DEG: f64 = 45.0;

/// From ICRS axes to the ecliptic and equinox of J2000 (frame bias of 0.02″ left out).
pub(crate) fn ecliptic_from_icrs() -> Rotation3<f64> {
    Rotation3::from_axis_angle(&Vector3::x_axis(), -Angle::from_arcsec(OBLIQUITY_ARCSEC).rad())
}

/// The sun's apparent longitude on the ecliptic and equinox of J2000, 0° to 360°, as meteor showers are dated by it.
///
/// # Errors
/// A date outside those of the ephemeris.
pub fn solar_longitude(instant: Instant) -> Result<Angle, DateError> {
    let sun = ecliptic_from_icrs() * crate::sun(instant)?.direction;
    Ok(Angle::from_rad(sun.y.atan2(sun.x)).wrapped_360())
}

/// The ecliptic's point so far from the sun, east positive, in ICRS.
///
/// # Errors
/// As [`solar_longitude`].
pub fn point_of_ecliptic(instant: Instant, east_of_sun: Angle) -> Result<UnitVector3<f64>, DateError> {
    let (sin, cos) = (solar_longitude(instant)? + east_of_sun).rad().sin_cos();
    Ok(ecliptic_from_icrs().inverse() * UnitVector3::new_normalize(Vector3::new(cos, sin, 0.0)))
}

/// From north through east, of a direction in the ground frame.
pub(super) fn azimuth(ground: &Vector3<f64>) -> Angle {
    Angle::from_rad(ground.x.atan2(ground.y)).wrapped_360()
}

pub(super) fn east_of_sun(instant: Instant, angle: Angle) -> Result<Target, DateError> {
    let point = point_of_ecliptic(instant, angle)?;
    Ok(Target::fixed(
        Angle::from_rad(point.y.atan2(point.x)).wrapped_360(),
        Angle::from_rad(point.z.clamp(-1.0, 1.0).asin()),
    ))
}

pub(super) fn subjects() -> impl Iterator<Item = Subject> {
    let points: [(&str, &[&str], f64); 3] = [
        (
            "Zodiacal light, evening",
            &["zodiacal light", "zodiacal light at dusk"],
            CONE_DEG,
        ),
        (
            "Zodiacal light, morning",
            &["zodiacal light at dawn", "false dawn"],
            -CONE_DEG,
        ),
        ("Gegenschein", &["counterglow"], 180.0),
    ];
    points.into_iter().map(|(name, also, east)| {
        let point = Whereabouts::EastOfSun(Angle::from_deg(east));
        Subject::new(name, SubjectKind::ZodiacalLight, point).also(also.iter().copied())
    })
}
