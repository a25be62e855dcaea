//! One site at one instant, with all that does not depend on the target.

use nalgebra::{Matrix3, Rotation3, UnitVector3, Vector3};
use sofars::astro::IauAstrom;

use super::orientation::Pole;
use super::{EarthOrientation, Place, PlaceError, Star, Target};
use crate::ephemeris::{self, AU_KM, SolarBody};
use crate::site::matrix;
use crate::{Air, Angle, Instant, Site};

/// Temperature of the air when none is given, degrees Celsius.
pub(super) const USUAL_C: f64 = 10.0;
/// Julian year of the ephemeris's beginning is reckoned from J2000.0.
const DAYS_A_YEAR: f64 = 365.25;

/// One site at one instant: everything that is the same for all targets, computed once.
///
/// Precession-nutation IAU 2006/2000A and the astrometry of the IAU's routines (`sofars`); sun, moon and planets
/// from DE440. Valid 1990 to 2060.
#[derive(Clone, Debug)]
pub struct Observer {
    site: Site,
    instant: Instant,
    air: Air,
    /// Days of the ephemeris.
    days: f64,
    /// Julian years since J2000.0.
    years: f64,
    astrometry: IauAstrom,
    /// The observer against the barycentre of the solar system, kilometres.
    here: Vector3<f64>,
    ground_from_intermediate: Matrix3<f64>,
    origins: f64,
}

/// A direction as it is seen, without air.
struct Seen {
    /// ICRS axes.
    proper: Vector3<f64>,
    /// Axes of the celestial intermediate pole and origin.
    intermediate: Vector3<f64>,
    ground: Vector3<f64>,
    distance_km: Option<f64>,
}

impl Observer {
    /// Computes the context; about 60 µs.
    ///
    /// # Errors
    /// A site that is none, a date outside 1990 to 2060, an orientation that cannot be.
    pub fn new(site: &Site, instant: Instant, orientation: EarthOrientation) -> Result<Self, PlaceError> {
        check(site, orientation)?;
        let (tt, fraction) = instant.julian_date_tt();
        Self::with_pole(site, instant, orientation, Pole::at(tt, fraction))
    }

    /// The same with the pole at hand. Site and orientation have been checked.
    pub(super) fn with_pole(
        site: &Site,
        instant: Instant,
        orientation: EarthOrientation,
        pole: Pole,
    ) -> Result<Self, PlaceError> {
        ephemeris::check_date(instant)?;
        let days = ephemeris::days(instant);
        let (earth, earth_velocity) = ephemeris::earth(days);
        let sun = ephemeris::barycentric(SolarBody::Sun, days);
        let (tt, fraction) = instant.julian_date_tt();
        let (utc, utc_fraction) = instant.julian_date_utc();
        let ut1_fraction = utc_fraction + orientation.ut1_minus_utc_s / 86_400.0;
        let rotation = sofars::erst::era00(utc, ut1_fraction);
        let (xp, yp) = (orientation.pole_x.rad(), orientation.pole_y.rad());
        let sp = sofars::pnp::sp00(tt, fraction);
        let mut astrometry = IauAstrom::default();
        sofars::astro::apco(
            tt,
            fraction,
            &[(earth / AU_KM).into(), (earth_velocity / AU_KM).into()],
            &((earth - sun) / AU_KM).into(),
            pole.x,
            pole.y,
            pole.locator,
            rotation,
            site.longitude.rad(),
            site.latitude.rad(),
            site.elevation_m,
            xp,
            yp,
            sp,
            0.0,
            0.0,
            &mut astrometry,
        );
        let wandered = matrix(sofars::pnp::pom00(xp, yp, sp));
        let turned = *Rotation3::from_axis_angle(&Vector3::z_axis(), -rotation).matrix();
        Ok(Self {
            site: *site,
            instant,
            air: Air::at_elevation(site.elevation_m, USUAL_C),
            days,
            years: (tt - 2_451_545.0 + fraction) / DAYS_A_YEAR,
            here: Vector3::from(astrometry.eb) * AU_KM,
            ground_from_intermediate: site.ground_from_terrestrial() * wandered * turned,
            origins: pole.origins,
            astrometry,
        })
    }

    /// With this air instead of the standard pressure at the site's elevation and 10 °C.
    #[must_use]
    pub fn with_air(mut self, air: Air) -> Self {
        self.air = air;
        self
    }

    /// The site.
    pub fn site(&self) -> &Site {
        &self.site
    }

    /// The instant.
    pub fn instant(&self) -> Instant {
        self.instant
    }

    /// The air that refracts.
    pub fn air(&self) -> &Air {
        &self.air
    }

    /// Where a target stands.
    pub fn place(&self, target: &Target) -> Place {
        let seen = self.seen(target);
        let from_origin = seen.intermediate.y.atan2(seen.intermediate.x);
        let ground = UnitVector3::new_normalize(seen.ground);
        let altitude = altitude_of(&ground);
        Place {
            altitude,
            azimuth: Angle::from_rad(ground.x.atan2(ground.y)).wrapped_360(),
            refracted_altitude: self.air.lifted_altitude(altitude),
            right_ascension_of_date: Angle::from_rad(from_origin - self.origins).wrapped_360(),
            declination_of_date: altitude_of(&seen.intermediate),
            hour_angle: Angle::from_rad(self.astrometry.eral - from_origin).wrapped_180(),
            distance_km: seen.distance_km,
            semidiameter: semidiameter(target, seen.distance_km),
            ground,
        }
    }

    /// The airless direction in the ground frame (x east, y north, z up) and nothing else.
    pub fn direction(&self, target: &Target) -> UnitVector3<f64> {
        UnitVector3::new_normalize(self.seen(target).ground)
    }

    /// The airless direction in the ground frame and the distance in kilometres of what has one; no air, no angles.
    pub(crate) fn line_of_sight(&self, target: &Target) -> (UnitVector3<f64>, Option<f64>) {
        let seen = self.seen(target);
        (UnitVector3::new_normalize(seen.ground), seen.distance_km)
    }

    /// The apparent airless direction in ICRS axes, and the distance of what has one in kilometres.
    ///
    /// With aberration and parallax in it, so 20″ and more from the catalogue's direction.
    /// [`Site::ground_from_icrs`] turns it to the ground, as long as the orientation is nil.
    pub fn icrs(&self, target: &Target) -> (UnitVector3<f64>, Option<f64>) {
        let seen = self.seen(target);
        (UnitVector3::new_normalize(seen.proper), seen.distance_km)
    }

    /// The airless altitude and nothing else: what event search asks a thousand times.
    pub fn altitude(&self, target: &Target) -> Angle {
        altitude_of(&self.seen(target).ground)
    }

    /// The celestial pole of date above this horizon (north of the equator the north pole), without refraction, in
    /// the ground frame. On the equator itself the north pole.
    pub fn pole(&self) -> UnitVector3<f64> {
        let north = self.ground_from_intermediate * Vector3::z();
        let sign = if self.site.latitude.rad() < 0.0 { -1.0 } else { 1.0 };
        UnitVector3::new_normalize(north * sign)
    }

    fn seen(&self, target: &Target) -> Seen {
        match target {
            Target::Star(star) => self.star(star),
            Target::Body(body) => self.of_solar_system(
                |days| ephemeris::barycentric(*body, days),
                *body == SolarBody::Sun,
            ),
            Target::Comet(orbit) => {
                self.of_solar_system(|days| ephemeris::barycentric_of_orbit(orbit, days), false)
            }
        }
    }

    fn star(&self, star: &Star) -> Seen {
        let years = self.years + 2000.0 - star.epoch;
        let place = sofars::astro::pmpx(
            star.right_ascension.rad(),
            star.declination.rad(),
            star.motion_east.rad() / star.declination.cos(),
            star.motion_north.rad(),
            star.parallax.arcsec(),
            star.radial_velocity_km_s,
            years,
            self.astrometry.eb,
        );
        let bent = sofars::astro::ldsun(place, self.astrometry.eh, self.astrometry.em);
        self.arriving(bent, None)
    }

    fn of_solar_system(&self, place: impl Fn(f64) -> Vector3<f64>, is_sun: bool) -> Seen {
        let light = ephemeris::light_line(place, &self.here, self.days);
        let mut direction: [f64; 3] = light.line.normalize().into();
        if !is_sun {
            let from_sun = light.there - ephemeris::barycentric(SolarBody::Sun, light.left);
            let (e, em) = (self.astrometry.eh, self.astrometry.em);
            direction = sofars::astro::ld(1.0, direction, from_sun.normalize().into(), e, em, 1e-6);
        }
        self.arriving(direction, Some(light.distance_km))
    }

    /// Aberration, and the turn to the equator of date and to the ground.
    fn arriving(&self, direction: [f64; 3], distance_km: Option<f64>) -> Seen {
        let a = &self.astrometry;
        let proper = Vector3::from(sofars::astro::ab(&direction, &a.v, a.em, a.bm1));
        let intermediate = matrix(a.bpn) * proper;
        Seen {
            proper,
            intermediate,
            ground: self.ground_from_intermediate * intermediate,
            distance_km,
        }
    }
}

fn altitude_of(direction: &Vector3<f64>) -> Angle {
    Angle::from_rad(direction.z.atan2(direction.x.hypot(direction.y)))
}

fn semidiameter(target: &Target, distance_km: Option<f64>) -> Angle {
    match (target, distance_km) {
        (Target::Body(body), Some(distance)) => {
            Angle::from_rad((body.radius_km() / distance).min(1.0).asin())
        }
        _ => Angle::default(),
    }
}

/// Checks what does not change from instant to instant.
pub(super) fn check(site: &Site, orientation: EarthOrientation) -> Result<(), PlaceError> {
    const MOST_UT1_S: f64 = 2.0;
    const MOST_ARCSEC: f64 = 2.0;
    site.check()?;
    let within = |what, expected, found: f64, most: f64| {
        if found.abs() <= most {
            Ok(())
        } else {
            Err(PlaceError::Orientation {
                what,
                expected,
                found,
            })
        }
    };
    let ut1 = orientation.ut1_minus_utc_s;
    within(
        "UT1 - UTC",
        "-2 to 2 seconds (UTC is kept within 0.9)",
        ut1,
        MOST_UT1_S,
    )?;
    for (what, angle) in [
        ("the pole's x", orientation.pole_x),
        ("the pole's y", orientation.pole_y),
    ] {
        within(what, "-2 to 2 arcseconds", angle.arcsec(), MOST_ARCSEC)?;
    }
    Ok(())
}
