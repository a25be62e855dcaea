//! The pole star against the pole: how far, and which way the clock's hand points.

use nalgebra::{UnitVector3, Vector3};

use crate::{Angle, Observer, Place, Star, Target};

/// A star to aim a polar axis by.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PoleStar {
    /// Name, IAU or Bayer's.
    pub name: &'static str,
    /// Number in the Hipparcos catalogue.
    pub hip: u32,
    /// Place and motion (Hipparcos-2: van Leeuwen 2007, A&A 474, 653), with the catalogue's every digit.
    pub star: Star,
}

impl PoleStar {
    /// The north's, V = 2.0.
    pub const POLARIS: Self = Self {
        name: "Polaris",
        hip: 11_767,
        star: Star {
            right_ascension: Angle::from_rad(0.662_285_133_7),
            declination: Angle::from_rad(1.557_953_108_2),
            epoch: 1991.25,
            motion_east: Angle::from_arcsec(44.48e-3),
            motion_north: Angle::from_arcsec(-11.85e-3),
            parallax: Angle::from_arcsec(7.54e-3),
            radial_velocity_km_s: 0.0,
        },
    };

    /// The south's, V = 5.4.
    pub const SIGMA_OCTANTIS: Self = Self {
        name: "Sigma Octantis",
        hip: 104_382,
        star: Star {
            right_ascension: Angle::from_rad(5.536_039_996_9),
            declination: Angle::from_rad(-1.552_584_010_8),
            epoch: 1991.25,
            motion_east: Angle::from_arcsec(25.75e-3),
            motion_north: Angle::from_arcsec(4.98e-3),
            parallax: Angle::from_arcsec(11.61e-3),
            radial_velocity_km_s: 0.0,
        },
    };

    /// The one of this hemisphere; on the equator the north's.
    pub fn over(latitude: Angle) -> &'static Self {
        if latitude.rad() < 0.0 {
            &Self::SIGMA_OCTANTIS
        } else {
            &Self::POLARIS
        }
    }
}

/// Something near the pole, as seen by an observer who faces that pole.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PoleOffset {
    /// From the pole.
    pub separation: Angle,
    /// 0° straight up, clockwise, 0° to 360°.
    pub clock_angle: Angle,
}

/// A star and the pole above the horizon (on the equator the north pole), from one site at one instant.
///
/// The pole is the true one of date (the celestial intermediate pole); the star is at its apparent place.
/// Separation within 0.01″ and clock angle within 0.001° of the computation from DE440 that the tests hold it to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PoleView {
    /// Where the star stands.
    pub star: Place,
    /// Without air.
    pub airless: PoleOffset,
    /// As the eye sees it: star and pole both lifted by refraction.
    pub refracted: PoleOffset,
    /// Altitude of the pole without air: the latitude's size, but for the pole's wandering.
    pub pole_altitude: Angle,
    /// Altitude at which the pole is seen.
    pub refracted_pole_altitude: Angle,
}

/// The pole star of the site's hemisphere against the pole.
pub fn pole_star(observer: &Observer) -> (&'static PoleStar, PoleView) {
    let chosen = PoleStar::over(observer.site().latitude);
    (chosen, pole_view(observer, &Target::Star(chosen.star)))
}

/// Any target against the pole above this horizon.
pub fn pole_view(observer: &Observer, target: &Target) -> PoleView {
    let star = observer.place(target);
    let pole = observer.pole();
    let pole_altitude = Angle::from_rad(pole.z.atan2(pole.x.hypot(pole.y)));
    let air = observer.air();
    let refracted_pole_altitude = air.lifted_altitude(pole_altitude);
    let raised = |direction: &UnitVector3<f64>, to: Angle| at_altitude(direction, to);
    PoleView {
        star,
        airless: offset_from_pole(&pole, &star.ground),
        refracted: offset_from_pole(
            &raised(&pole, refracted_pole_altitude),
            &raised(&star.ground, star.refracted_altitude),
        ),
        pole_altitude,
        refracted_pole_altitude,
    }
}

/// The direction of the same azimuth at another altitude.
fn at_altitude(direction: &UnitVector3<f64>, altitude: Angle) -> UnitVector3<f64> {
    let azimuth = direction.x.atan2(direction.y);
    let across = altitude.cos();
    UnitVector3::new_normalize(Vector3::new(
        across * azimuth.sin(),
        across * azimuth.cos(),
        altitude.sin(),
    ))
}

/// A direction against a pole, both in the ground frame (x east, y north, z up).
pub fn offset_from_pole(pole: &UnitVector3<f64>, star: &UnitVector3<f64>) -> PoleOffset {
    // At the Earth's poles straight up is no direction; towards the south of the meridian stands in.
    let up = Vector3::z() - pole.into_inner() * pole.z;
    let right = pole.cross(&Vector3::z());
    let clock_angle = if right.norm() > 1e-12 {
        star.dot(&right).atan2(star.dot(&up))
    } else {
        star.x.atan2(star.y)
    };
    PoleOffset {
        separation: Angle::from_rad(pole.cross(star).norm().atan2(pole.dot(star))),
        clock_angle: Angle::from_rad(clock_angle).wrapped_360(),
    }
}
