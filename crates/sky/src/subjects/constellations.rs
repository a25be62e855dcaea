//! The 88 constellations: names, and where to write them.

use std::sync::LazyLock;

use super::{Subject, SubjectKind, number, rows};
use crate::Angle;

/// Made by `data/make_subjects.py`.
static TABLE: &str = include_str!("../../data/constellations.csv");

static ALL: LazyLock<Vec<Constellation>> = LazyLock::new(|| {
    rows(TABLE, ',')
        .map(|row| Constellation {
            abbreviation: row[0],
            name: row[1],
            genitive: row[2],
            right_ascension: Angle::from_deg(number(row[3])),
            declination: Angle::from_deg(number(row[4])),
            extent: Angle::from_deg(number(row[5])),
        })
        .collect()
});

/// One of the 88 constellations of the IAU.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Constellation {
    /// The IAU's three letters: "UMa".
    pub abbreviation: &'static str,
    /// The Latin name: "Ursa Major".
    pub name: &'static str,
    /// Its genitive, as in a star's designation: "Ursae Majoris".
    pub genitive: &'static str,
    /// Right ascension of a place inside it for its name, ICRS; of Serpens, which has two parts, in the head.
    pub right_ascension: Angle,
    /// Declination of that place.
    pub declination: Angle,
    /// How far across it is, twice the way from there to its farthest corner.
    pub extent: Angle,
}

/// All 88, by abbreviation.
pub fn all() -> &'static [Constellation] {
    &ALL
}

/// The constellation with these three letters, in the IAU's spelling.
pub(crate) fn by_abbreviation(abbreviation: &str) -> Option<&'static Constellation> {
    ALL.iter().find(|c| c.abbreviation == abbreviation)
}

pub(super) fn subjects() -> impl Iterator<Item = Subject> {
    ALL.iter().map(|c| {
        let (ra, dec) = (c.right_ascension.deg(), c.declination.deg());
        let mut subject = Subject::at(c.name, SubjectKind::Constellation, ra, dec).also([c.abbreviation]);
        subject.size = Some((c.extent, c.extent));
        if c.abbreviation == "Cru" {
            subject.also.push("Southern Cross".to_owned());
        }
        subject
    })
}
