//! Finding a subject by whatever it is called.

use std::collections::HashMap;
use std::sync::LazyLock;

use super::{
    Subject, SubjectError, SubjectKind, Whereabouts, asterisms, constellations, deep_sky, elements,
    milky_way, showers, stars, zodiacal,
};
use crate::{Angle, SolarBody, Target};

/// How many names are offered instead of an unknown one.
const OFFERED: usize = 5;
/// Words that may be left off a name.
const DISPENSABLE: [&str; 5] = ["nebula", "galaxy", "cluster", "region", "cloud"];

struct Index {
    subjects: Vec<Subject>,
    by_key: HashMap<String, usize>,
}

static INDEX: LazyLock<Index> = LazyLock::new(|| {
    let subjects: Vec<Subject> = solar_system()
        .chain(milky_way::subjects())
        .chain(zodiacal::subjects())
        .chain(constellations::subjects())
        .chain(deep_sky::subjects())
        .chain(asterisms::subjects())
        .chain(stars::subjects())
        .chain(showers::subjects())
        .collect();
    let mut by_key = HashMap::new();
    // Whole names come before what they are shortened to, whichever subject they are of.
    for keys in [full_keys, short_keys] {
        for (at, subject) in subjects.iter().enumerate() {
            for key in keys(subject) {
                by_key.entry(key).or_insert(at);
            }
        }
    }
    Index { subjects, by_key }
});

/// Every subject that is embedded; of the stars, the named and lettered ones.
pub fn all() -> &'static [Subject] {
    &INDEX.subjects
}

/// The subject of a name, a designation, `HIP` and a number, `RA,DEC` in ICRS degrees, or a comet's elements as
/// `NAME T=2026-10-05.31 q=0.87 e=0.998 peri=12.3 node=210.4 i=45.6` (TT, degrees, J2000.0).
///
/// Case, accents, spaces and punctuation do not count; Greek letters may be written as letters, as words or as the
/// usual three letters; the constellation as genitive, name or three letters.
///
/// # Errors
/// An unknown name, with the nearest known ones; a star that is not embedded; impossible coordinates or elements.
pub fn find(query: &str) -> Result<Subject, SubjectError> {
    if let Some(own) = elements::comet(query).or_else(|| coordinates(query)) {
        return own;
    }
    let key = key(query);
    if key.is_empty() {
        return Err(SubjectError::Empty);
    }
    if let Some(at) = INDEX.by_key.get(&key) {
        return Ok(INDEX.subjects[*at].clone());
    }
    if let Some(hip) = key.strip_prefix("hip").and_then(|digits| digits.parse().ok()) {
        return stars::by_number(hip).ok_or(SubjectError::Star { hip });
    }
    Err(SubjectError::Unknown {
        query: query.trim().to_owned(),
        nearest: nearest(&key),
    })
}

/// Subjects with the words of `query` in any of their names, in the order of [`all`]; all of them for an empty query.
pub fn search(query: &str) -> Vec<&'static Subject> {
    let wanted = key(query);
    let names = |s: &'static Subject| std::iter::once(&s.name).chain(&s.also);
    let exact = INDEX.by_key.get(&wanted).copied();
    let matching = |(at, s): &(usize, &'static Subject)| {
        exact == Some(*at) || names(s).any(|name| key(name).contains(&wanted))
    };
    INDEX
        .subjects
        .iter()
        .enumerate()
        .filter(matching)
        .map(|(_, s)| s)
        .collect()
}

fn solar_system() -> impl Iterator<Item = Subject> {
    SolarBody::ALL.into_iter().map(|body| {
        let (name, kind) = match body {
            SolarBody::Sun => ("Sun", SubjectKind::Sun),
            SolarBody::Moon => ("Moon", SubjectKind::Moon),
            planet => (planet.name(), SubjectKind::Planet),
        };
        Subject::new(name, kind, Whereabouts::Target(Target::Body(body)))
    })
}

/// `83.6,-5.4`, also with a space after the comma; none where it is no pair of numbers.
fn coordinates(query: &str) -> Option<Result<Subject, SubjectError>> {
    let (first, second) = query.split_once(',')?;
    let degrees = |text: &str| {
        text.trim()
            .trim_end_matches('°')
            .replace('−', "-")
            .parse::<f64>()
            .ok()
    };
    let (ra, dec) = (degrees(first)?, degrees(second)?);
    let wrong = |what, expected, found_deg| {
        Err(SubjectError::Coordinates {
            query: query.trim().to_owned(),
            what,
            expected,
            found_deg,
        })
    };
    Some(if !(0.0..=360.0).contains(&ra) {
        wrong("right ascension", "0 to 360", ra)
    } else if !(-90.0..=90.0).contains(&dec) {
        wrong("declination", "-90 to 90", dec)
    } else {
        let target = Target::fixed(Angle::from_deg(ra), Angle::from_deg(dec));
        Ok(Subject::own(query.trim(), target))
    })
}

fn full_keys(subject: &Subject) -> Vec<String> {
    let names = std::iter::once(&subject.name).chain(&subject.also);
    names.map(|name| key(name)).collect()
}

fn short_keys(subject: &Subject) -> Vec<String> {
    let names = std::iter::once(&subject.name).chain(&subject.also);
    let mut keys = Vec::new();
    for name in names {
        if subject.kind == SubjectKind::Star {
            keys.extend(stars::short_forms(name).iter().map(|form| key(form)));
        }
        let shorter = name
            .rsplit_once(' ')
            .filter(|(_, last)| DISPENSABLE.contains(&last.to_lowercase().as_str()));
        keys.extend(shorter.map(|(first, _)| key(first)));
    }
    keys
}

/// What a name is compared by: small letters and digits without accents, Greek letters as words, no leading zeros, the
/// usual short form of a catalogue's name.
fn key(name: &str) -> String {
    let name = name.trim().to_lowercase();
    let name = name.strip_prefix("the ").unwrap_or(&name);
    let mut key = String::with_capacity(name.len());
    for c in name.chars() {
        if c.is_ascii_alphanumeric() {
            let after_digit = key.ends_with(|last: char| last.is_ascii_digit());
            if c == '0' && !after_digit {
                continue;
            }
            key.push(c);
        } else {
            key.push_str(plain(c));
        }
    }
    catalogue_form(&key)
}

/// The catalogues by their whole names and their letters.
fn catalogue_form(key: &str) -> String {
    const SHORT: [(&str, &str); 8] = [
        ("messier", "m"),
        ("barnard", "b"),
        ("caldwell", "c"),
        ("melotte", "mel"),
        ("collinder", "cr"),
        ("col", "cr"),
        ("hipparcos", "hip"),
        ("sharpless", "sh"),
    ];
    let number = |rest: &str| rest.starts_with(|c: char| c.is_ascii_digit());
    for (long, short) in SHORT {
        if let Some(rest) = key.strip_prefix(long).filter(|rest| number(rest)) {
            return format!("{short}{rest}");
        }
    }
    key.to_owned()
}

/// A character beyond ASCII in plain letters; nothing for punctuation.
fn plain(c: char) -> &'static str {
    match c {
        'à'..='å' | 'ā' | 'ă' | 'ą' => "a",
        'æ' => "ae",
        'ç' | 'ć' | 'č' => "c",
        'è'..='ë' | 'ē' | 'ė' | 'ę' | 'ě' => "e",
        'ì'..='ï' | 'ī' | 'ı' => "i",
        'ñ' | 'ń' | 'ň' => "n",
        'ò'..='ö' | 'ø' | 'ō' | 'ő' => "o",
        'œ' => "oe",
        'ù'..='ü' | 'ū' | 'ů' | 'ű' => "u",
        'ý' | 'ÿ' => "y",
        'š' | 'ś' => "s",
        'ß' => "ss",
        'ž' | 'ź' | 'ż' => "z",
        '¹' | '₁' => "1",
        '²' | '₂' => "2",
        '³' | '₃' => "3",
        'α' => "alpha",
        'β' => "beta",
        'γ' => "gamma",
        'δ' => "delta",
        'ε' | 'ϵ' => "epsilon",
        'ζ' => "zeta",
        'η' => "eta",
        'θ' | 'ϑ' => "theta",
        'ι' => "iota",
        'κ' => "kappa",
        'λ' => "lambda",
        'μ' | 'µ' => "mu",
        'ν' => "nu",
        'ξ' => "xi",
        'ο' => "omicron",
        'π' => "pi",
        'ρ' => "rho",
        'σ' | 'ς' => "sigma",
        'τ' => "tau",
        'υ' => "upsilon",
        'φ' | 'ϕ' => "phi",
        'χ' => "chi",
        'ψ' => "psi",
        'ω' => "omega",
        _ => "",
    }
}

/// Names whose keys are few slips away, or begin with the query; the nearest first, each subject once.
fn nearest(wanted: &str) -> Vec<String> {
    let allowed = (wanted.chars().count() / 3).max(1);
    let mut candidates: Vec<(usize, usize)> = Vec::new();
    for (key, at) in &INDEX.by_key {
        let begins = wanted.len() >= 3 && key.starts_with(wanted);
        let slips = if begins { 1 } else { slips(wanted, key, allowed) };
        if slips <= allowed {
            candidates.push((slips, *at));
        }
    }
    candidates.sort_unstable();
    let mut seen = Vec::new();
    for (_, at) in candidates {
        if !seen.contains(&at) {
            seen.push(at);
        }
    }
    seen.iter()
        .take(OFFERED)
        .map(|at| INDEX.subjects[*at].name.clone())
        .collect()
}

/// How many letters are wrong, missing, too many or swapped with a neighbour (the restricted edit distance of
/// Damerau 1964 and Levenshtein 1966); anything above `most` once it is certain.
fn slips(a: &str, b: &str, most: usize) -> usize {
    let (a, b): (Vec<char>, Vec<char>) = (a.chars().collect(), b.chars().collect());
    if a.len().abs_diff(b.len()) > most {
        return most + 1;
    }
    let (mut before, mut last): (Vec<usize>, Vec<usize>) = (vec![0; b.len() + 1], (0..=b.len()).collect());
    for i in 1..=a.len() {
        let mut row = vec![i; b.len() + 1];
        for j in 1..=b.len() {
            let differ = usize::from(a[i - 1] != b[j - 1]);
            row[j] = (last[j] + 1).min(row[j - 1] + 1).min(last[j - 1] + differ);
            if i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1] {
                row[j] = row[j].min(before[j - 2] + 1);
            }
        }
        if row.iter().all(|n| *n > most) {
            return most + 1;
        }
        (before, last) = (last, row);
    }
    last[b.len()]
}
