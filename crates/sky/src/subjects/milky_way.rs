//! The Milky Way: its core, its arch over the horizon, and how it leans.

use nalgebra::{Matrix3, Rotation3, UnitVector3, Vector3};

use super::zodiacal::azimuth;
use super::{Subject, SubjectKind};
use crate::Angle;

/// Sagittarius A*, ICRS degrees: 17h 45m 40.0409s, −29° 00′ 28.118″ (Reid & Brunthaler 2004, ApJ 616, 872, at J2000).
const CORE_DEG: (f64, f64) = (266.416_837, -29.007_811);

/// A point of the arch.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ArchPoint {
    /// Galactic longitude: 0° is the core, 80° is in Cygnus, 180° opposite the core.
    pub longitude: Angle,
    /// From true north through east.
    pub azimuth: Angle,
    /// True, without refraction; negative below the horizon.
    pub altitude: Angle,
}

/// The galactic equator over one site at one instant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Arch {
    ground_from_galactic: Rotation3<f64>,
}

impl Arch {
    /// From the site's turning ([`crate::Site::ground_from_icrs`]).
    pub fn new(ground_from_icrs: &Rotation3<f64>) -> Self {
        Self {
            ground_from_galactic: ground_from_icrs * galactic_from_icrs().inverse(),
        }
    }

    /// The arch's point at a galactic longitude.
    pub fn point(&self, longitude: Angle) -> ArchPoint {
        let (sin, cos) = longitude.rad().sin_cos();
        let ground = self.ground_from_galactic * Vector3::new(cos, sin, 0.0);
        ArchPoint {
            longitude,
            azimuth: azimuth(&ground),
            altitude: Angle::from_rad(ground.z.clamp(-1.0, 1.0).asin()),
        }
    }

    /// `count` points evenly along the whole circle from the core on, above and below the horizon.
    pub fn points(&self, count: usize) -> impl Iterator<Item = ArchPoint> {
        let step = Angle::from_deg(360.0 / count as f64);
        (0..count).map(move |i| self.point(step * i as f64))
    }

    /// The highest point. Its altitude is also the arch's angle with the horizon: 90° when it goes
    /// through the zenith, 0° when it lies along the horizon all round.
    pub fn highest(&self) -> ArchPoint {
        let up = self.ground_from_galactic.inverse() * Vector3::z();
        self.point(Angle::from_rad(up.y.atan2(up.x)).wrapped_360())
    }

    /// Where the arch meets the horizon, two azimuths opposite each other, the smaller first.
    pub fn feet(&self) -> (Angle, Angle) {
        let pole = self.ground_from_galactic * Vector3::z();
        let one = (azimuth(&pole) + Angle::from_deg(90.0)).wrapped_360();
        let other = (one + Angle::from_deg(180.0)).wrapped_360();
        if one.rad() <= other.rad() {
            (one, other)
        } else {
            (other, one)
        }
    }

    /// How the band leans at a longitude, seen facing it: 0° to 180° from the horizon's right-hand side
    /// counter-clockwise. 90° stands upright, less leans to the right going up, more to the left; 0° and 180° lie flat.
    pub fn lean(&self, longitude: Angle) -> Angle {
        let (sin, cos) = longitude.rad().sin_cos();
        let here = self.ground_from_galactic * Vector3::new(cos, sin, 0.0);
        let along = self.ground_from_galactic * Vector3::new(-sin, cos, 0.0);
        let right = Vector3::new(here.y, -here.x, 0.0);
        let up = right.cross(&here);
        Angle::from_rad(
            along
                .dot(&up)
                .atan2(along.dot(&right))
                .rem_euclid(std::f64::consts::PI),
        )
    }

    /// Galactic longitude and latitude of a direction in the ground frame.
    pub fn galactic(&self, ground: &Vector3<f64>) -> (Angle, Angle) {
        let galactic = self.ground_from_galactic.inverse() * ground;
        (
            Angle::from_rad(galactic.y.atan2(galactic.x)).wrapped_360(),
            Angle::from_rad(galactic.z.atan2(galactic.x.hypot(galactic.y))),
        )
    }

    /// The core itself (Sagittarius A*, 0.07° from the origin of the longitudes).
    pub fn core(&self) -> ArchPoint {
        let core = galactic_from_icrs() * core();
        let ground = self.ground_from_galactic * core;
        ArchPoint {
            longitude: Angle::from_rad(core.y.atan2(core.x)).wrapped_360(),
            azimuth: azimuth(&ground),
            altitude: Angle::from_rad(ground.z.clamp(-1.0, 1.0).asin()),
        }
    }
}

/// Where the core is, in ICRS.
pub fn core() -> UnitVector3<f64> {
    let (ra, dec) = (CORE_DEG.0.to_radians(), CORE_DEG.1.to_radians());
    UnitVector3::new_normalize(Vector3::new(
        dec.cos() * ra.cos(),
        dec.cos() * ra.sin(),
        dec.sin(),
    ))
}

/// From ICRS axes to galactic ones: the IAU's system of 1958 as laid down for ICRS in ESA 1997 (The Hipparcos
/// and Tycho Catalogues, SP-1200, vol. 1, eq. 1.5.11).
pub fn galactic_from_icrs() -> Rotation3<f64> {
    Rotation3::from_matrix_unchecked(Matrix3::new(
        -0.054_875_560_416_215_4,
        -0.873_437_090_234_885,
        -0.483_835_015_548_713_2,
        0.494_109_427_875_583_7,
        -0.444_829_629_960_011_2,
        0.746_982_244_497_218_8,
        -0.867_666_149_019_004_7,
        -0.198_076_373_431_201_5,
        0.455_983_776_175_066_9,
    ))
}

/// An ICRS direction from galactic longitude and latitude.
pub fn from_galactic(longitude: Angle, latitude: Angle) -> UnitVector3<f64> {
    let ((sin_l, cos_l), (sin_b, cos_b)) = (longitude.rad().sin_cos(), latitude.rad().sin_cos());
    let galactic = Vector3::new(cos_b * cos_l, cos_b * sin_l, sin_b);
    UnitVector3::new_normalize(galactic_from_icrs().inverse() * galactic)
}

pub(super) fn subjects() -> impl Iterator<Item = Subject> {
    const CORE: &[&str] = &[
        "Milky Way",
        "core",
        "galactic centre",
        "galactic center",
        "galactic core",
        "Sagittarius A*",
        "Sgr A*",
    ];
    let points: [(&str, &[&str], f64, f64); 4] = [
        ("Milky Way core", CORE, f64::NAN, f64::NAN),
        ("Galactic anticentre", &["galactic anticenter"], 180.0, 0.0),
        ("North galactic pole", &[], 0.0, 90.0),
        ("South galactic pole", &[], 0.0, -90.0),
    ];
    points.into_iter().map(|(name, also, longitude, latitude)| {
        let place = if longitude.is_nan() {
            core()
        } else {
            from_galactic(Angle::from_deg(longitude), Angle::from_deg(latitude))
        };
        let right_ascension = place.y.atan2(place.x).to_degrees().rem_euclid(360.0);
        let declination = place.z.clamp(-1.0, 1.0).asin().to_degrees();
        Subject::at(name, SubjectKind::MilkyWay, right_ascension, declination).also(also.iter().copied())
    })
}
