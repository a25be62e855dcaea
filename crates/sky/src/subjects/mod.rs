//! What a picture can be about: constellations, stars, nebulae and clusters, the Milky Way, planets, meteor showers,
//! the zodiacal light, and what the user brings. All embedded; [`find`] forgives case, accents and spelling.

mod asterisms;
pub mod boundaries;
pub mod constellations;
mod deep_sky;
mod elements;
mod error;
pub mod figures;
pub mod milky_way;
mod search;
pub mod showers;
mod stars;
pub mod zodiacal;

use std::fmt;

pub use error::SubjectError;
pub use search::{all, find, search};
pub use stars::proper_name;

use constellations::Constellation;
use nalgebra::{UnitVector3, Vector3};
use showers::Shower;

use crate::{Angle, DateError, Instant, Target};

/// What sort of thing a subject is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs, reason = "the words say it")]
pub enum SubjectKind {
    Sun,
    Moon,
    Planet,
    Comet,
    Star,
    DoubleStar,
    Constellation,
    Asterism,
    MilkyWay,
    StarCloud,
    OpenCluster,
    GlobularCluster,
    Nebula,
    DarkNebula,
    PlanetaryNebula,
    SupernovaRemnant,
    Galaxy,
    MeteorShower,
    ZodiacalLight,
    /// A place that the user gave.
    Own,
}

impl fmt::Display for SubjectKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Sun => "sun",
            Self::Moon => "moon",
            Self::Planet => "planet",
            Self::Comet => "comet",
            Self::Star => "star",
            Self::DoubleStar => "double star",
            Self::Constellation => "constellation",
            Self::Asterism => "asterism",
            Self::MilkyWay => "Milky Way",
            Self::StarCloud => "star cloud",
            Self::OpenCluster => "open cluster",
            Self::GlobularCluster => "globular cluster",
            Self::Nebula => "nebula",
            Self::DarkNebula => "dark nebula",
            Self::PlanetaryNebula => "planetary nebula",
            Self::SupernovaRemnant => "supernova remnant",
            Self::Galaxy => "galaxy",
            Self::MeteorShower => "meteor shower",
            Self::ZodiacalLight => "zodiacal light",
            Self::Own => "own place",
        })
    }
}

/// Where a subject is.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Whereabouts {
    /// A target, which may well move by itself.
    Target(Target),
    /// A radiant, which wanders from night to night.
    Radiant(&'static Shower),
    /// A point of the ecliptic so far east of the sun.
    EastOfSun(Angle),
}

/// Something that a picture can be about.
#[derive(Clone, Debug, PartialEq)]
pub struct Subject {
    /// The name most used: "Orion Nebula", "Betelgeuse", "M 2".
    pub name: String,
    /// Other names and designations, the most used first.
    pub also: Vec<String>,
    /// What it is.
    pub kind: SubjectKind,
    /// Larger and smaller extent on the sky; both the same where only one is known.
    pub size: Option<(Angle, Angle)>,
    /// V magnitude of the whole, where it means something.
    pub magnitude: Option<f64>,
    whereabouts: Whereabouts,
}

impl Subject {
    /// One of the user's own: a direction, or a comet by its orbit.
    pub fn own(name: impl Into<String>, target: Target) -> Self {
        let kind = if matches!(target, Target::Comet(_)) {
            SubjectKind::Comet
        } else {
            SubjectKind::Own
        };
        Self::new(name, kind, Whereabouts::Target(target))
    }

    /// What to look for on a night. Only radiants and points of the ecliptic depend on the instant, by a degree a
    /// day, so once a night is enough; everything else is the same at all times (a planet's
    /// target is the planet).
    ///
    /// # Errors
    /// For those that depend on it, a date outside the ephemeris.
    pub fn target_at(&self, instant: Instant) -> Result<Target, DateError> {
        match self.whereabouts {
            Whereabouts::Target(target) => Ok(target),
            Whereabouts::Radiant(shower) => shower.radiant_at(instant),
            Whereabouts::EastOfSun(angle) => zodiacal::east_of_sun(instant, angle),
        }
    }

    /// Right ascension and declination in ICRS at the epoch of its catalogue, of what does not wander among the stars.
    pub fn right_ascension_and_declination(&self) -> Option<(Angle, Angle)> {
        match self.whereabouts {
            Whereabouts::Target(Target::Star(star)) => Some((star.right_ascension, star.declination)),
            _ => None,
        }
    }

    /// The constellation it stands in, of what does not wander among the stars.
    pub fn constellation(&self) -> Option<&'static Constellation> {
        let (right_ascension, declination) = self.right_ascension_and_declination()?;
        let (sin_ra, cos_ra) = right_ascension.rad().sin_cos();
        let (sin_dec, cos_dec) = declination.rad().sin_cos();
        let place = Vector3::new(cos_dec * cos_ra, cos_dec * sin_ra, sin_dec);
        boundaries::constellation_of(&UnitVector3::new_normalize(place))
    }

    /// The shower whose radiant it is.
    pub fn shower(&self) -> Option<&'static Shower> {
        match self.whereabouts {
            Whereabouts::Radiant(shower) => Some(shower),
            _ => None,
        }
    }

    fn new(name: impl Into<String>, kind: SubjectKind, whereabouts: Whereabouts) -> Self {
        Self {
            name: name.into(),
            also: Vec::new(),
            kind,
            size: None,
            magnitude: None,
            whereabouts,
        }
    }

    fn at(
        name: impl Into<String>,
        kind: SubjectKind,
        right_ascension_deg: f64,
        declination_deg: f64,
    ) -> Self {
        let target = Target::fixed(
            Angle::from_deg(right_ascension_deg),
            Angle::from_deg(declination_deg),
        );
        Self::new(name, kind, Whereabouts::Target(target))
    }

    fn also(mut self, names: impl IntoIterator<Item = impl Into<String>>) -> Self {
        self.also.extend(names.into_iter().map(Into::into));
        self
    }
}

/// Rows of an embedded table: lines that are not comments, split at `separator`.
fn rows(table: &'static str, separator: char) -> impl Iterator<Item = Vec<&'static str>> {
    let lines = table
        .lines()
        .filter(|line| !line.is_empty() && !line.starts_with('#'));
    lines.map(move |line| line.split(separator).collect())
}

/// A number of an embedded table; a test reads every row of them.
fn number(field: &str) -> f64 {
    field.parse().unwrap_or(f64::NAN)
}
