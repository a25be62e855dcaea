//! Stars by name, by letter, by number.

use std::collections::HashMap;
use std::sync::LazyLock;

use nalgebra::Vector3;

use super::constellations::by_abbreviation;
use super::{Subject, SubjectKind, Whereabouts, rows};
use crate::catalogue::stars;
use crate::{CatalogueStar, Target};

/// Names of the IAU's catalogue and letters of Bayer's; see `data/make_subjects.py`.
static TABLE: &str = include_str!("../../data/star_names.csv");

/// Letters as the IAU's file abbreviates them.
const LETTERS: [(&str, &str); 24] = [
    ("alf", "alpha"),
    ("bet", "beta"),
    ("gam", "gamma"),
    ("del", "delta"),
    ("eps", "epsilon"),
    ("zet", "zeta"),
    ("eta", "eta"),
    ("tet", "theta"),
    ("iot", "iota"),
    ("kap", "kappa"),
    ("lam", "lambda"),
    ("mu", "mu"),
    ("nu", "nu"),
    ("ksi", "xi"),
    ("omi", "omicron"),
    ("pi", "pi"),
    ("rho", "rho"),
    ("sig", "sigma"),
    ("tau", "tau"),
    ("ups", "upsilon"),
    ("phi", "phi"),
    ("chi", "chi"),
    ("psi", "psi"),
    ("ome", "omega"),
];

/// What people call them besides.
const ALIASES: [(u32, &[&str]); 5] = [
    (11767, &["North Star", "Pole Star"]),
    (107_259, &["Garnet Star"]),
    (71683, &["Alpha Centauri A", "Rigil Kent"]),
    (32349, &["Dog Star"]),
    (104_382, &["South Star"]),
];

static BY_NUMBER: LazyLock<HashMap<u32, &'static CatalogueStar>> =
    LazyLock::new(|| stars().iter().map(|star| (star.hip, star)).collect());

/// ICRS direction at the catalogue's epoch.
pub(super) fn place(hip: u32) -> Option<Vector3<f64>> {
    BY_NUMBER.get(&hip).map(|star| direction(star))
}

/// The same of a star of the catalogue.
pub(super) fn direction(star: &CatalogueStar) -> Vector3<f64> {
    let (sin_ra, cos_ra) = star.right_ascension.rad().sin_cos();
    let (sin_dec, cos_dec) = star.declination.rad().sin_cos();
    Vector3::new(cos_dec * cos_ra, cos_dec * sin_ra, sin_dec)
}

/// A star of the embedded catalogue by its Hipparcos number, under that name.
pub(super) fn by_number(hip: u32) -> Option<Subject> {
    let star = *BY_NUMBER.get(&hip)?;
    let target = Whereabouts::Target(Target::from(star));
    let mut subject = Subject::new(format!("HIP {hip}"), SubjectKind::Star, target);
    subject.magnitude = Some(f64::from(star.v_mag));
    Some(subject)
}

static PROPER: LazyLock<HashMap<u32, &'static str>> = LazyLock::new(|| {
    rows(TABLE, ',')
        .filter_map(|row| Some((row[0].parse().ok()?, row[1])))
        .filter(|(_, name)| !name.is_empty())
        .collect()
});

/// The name that the IAU gave to a star of the Hipparcos catalogue; `None` where it gave none.
pub fn proper_name(hip: u32) -> Option<&'static str> {
    PROPER.get(&hip).copied()
}

/// The named and lettered stars.
pub(super) fn subjects() -> impl Iterator<Item = Subject> {
    rows(TABLE, ',').filter_map(|row| {
        let hip: u32 = row[0].parse().ok()?;
        let mut subject = by_number(hip)?;
        let number = std::mem::replace(&mut subject.name, row[1].to_owned());
        subject.also.extend(spelt(row[2]));
        let aliases = ALIASES
            .iter()
            .find(|(of, _)| *of == hip)
            .map_or(&[][..], |(_, names)| names);
        subject.also.extend(aliases.iter().map(|name| (*name).to_owned()));
        subject.also.push(number);
        if subject.name.is_empty() {
            subject.name = subject.also.remove(0);
        }
        Some(subject)
    })
}

/// "alf02 Lib" as "alpha2 Librae"; none where there is a constellation only.
fn spelt(designation: &str) -> Option<String> {
    let (letter, constellation) = designation.split_once(' ')?;
    let genitive = by_abbreviation(constellation)?.genitive;
    if letter == "-" {
        return None;
    }
    let stem = letter.trim_end_matches(|c: char| c.is_ascii_digit());
    let Some((_, long)) = LETTERS.iter().find(|(short, _)| *short == stem) else {
        return Some(format!("{letter} {genitive}"));
    };
    let index = letter[stem.len()..].trim_start_matches('0');
    Some(format!("{long}{index} {genitive}"))
}

/// The short forms of a letter and a constellation that people write for a spelt designation: "alpha2 Librae" gives
/// "alpha2 Lib", "alf2 Lib", and each without the figure.
pub(super) fn short_forms(spelt: &str) -> Vec<String> {
    let Some((letter, genitive)) = spelt.split_once(' ') else {
        return Vec::new();
    };
    let Some(constellation) = super::constellations::all()
        .iter()
        .find(|c| c.genitive == genitive)
    else {
        return Vec::new();
    };
    let stem = letter.trim_end_matches(|c: char| c.is_ascii_digit());
    let index = &letter[stem.len()..];
    let Some((short, _)) = LETTERS.iter().find(|(_, long)| *long == stem) else {
        return vec![format!("{letter} {}", constellation.abbreviation)];
    };
    let mut forms = Vec::new();
    for index in [index, ""] {
        for stem in [stem, *short] {
            for of in [genitive, constellation.abbreviation, constellation.name] {
                forms.push(format!("{stem}{index} {of}"));
            }
        }
    }
    forms
}
