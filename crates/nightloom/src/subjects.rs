//! `nightloom subjects`.

use clap::Args;
use nightloom_sky::subjects::{Subject, SubjectError, all, find, search, showers::Shower};
use serde_json::{Value, json};

use crate::context::Context;
use crate::failure::Failure;
use crate::out;

/// Names that a line shows besides the first.
const SHOWN: usize = 3;

/// `nightloom subjects`.
#[derive(Args, Debug)]
pub(crate) struct SubjectsArgs {
    /// Part of a name or designation ("veil", "m31", "alpha ori", "HIP 11767"); all subjects without it.
    query: Option<String>,
}

pub(crate) fn run(args: &SubjectsArgs, context: &Context) -> Result<Value, Failure> {
    let found = match &args.query {
        Some(query) => matching(query)?,
        None => all().to_vec(),
    };
    for subject in &found {
        out::result(&line(subject), context.json);
    }
    Ok(json!({ "subjects": found.iter().map(as_json).collect::<Vec<_>>() }))
}

/// The subject that the query names, then those that have it in their names.
fn matching(query: &str) -> Result<Vec<Subject>, Failure> {
    let mut found: Vec<Subject> = find(query).into_iter().collect();
    for other in search(query) {
        if found.first() != Some(other) {
            found.push(other.clone());
        }
    }
    if found.is_empty() {
        found.push(find(query).map_err(|error| match error {
            SubjectError::Unknown { .. } | SubjectError::Star { .. } => Failure::said_no(&error),
            _ => error.into(),
        })?);
    }
    Ok(found)
}

fn line(subject: &Subject) -> String {
    let mut text = format!("{:<32} {:<18}", subject.name, subject.kind.to_string());
    if let Some(constellation) = subject.constellation() {
        text.push_str(&format!(" {:<3}", constellation.abbreviation));
    } else {
        text.push_str("    ");
    }
    if let Some(shower) = subject.shower() {
        text.push_str(&format!("  {} to {}", date(shower.from), date(shower.to)));
    } else if !subject.also.is_empty() {
        let shown = subject.also.iter().take(SHOWN).map(String::as_str);
        text.push_str(&format!("  {}", shown.collect::<Vec<_>>().join(", ")));
    }
    text.trim_end().to_owned()
}

/// Month and day, as in the middle of RFC 3339.
fn date((month, day): (i8, i8)) -> String {
    format!("{month:02}-{day:02}")
}

fn as_json(subject: &Subject) -> Value {
    let place = subject.right_ascension_and_declination();
    json!({
        "name": subject.name,
        "also": subject.also,
        "kind": subject.kind,
        "constellation": subject.constellation().map(|c| c.abbreviation),
        "right_ascension_deg": place.map(|(ra, _)| tidy(ra.deg())),
        "declination_deg": place.map(|(_, dec)| tidy(dec.deg())),
        "size_arcmin": subject.size.map(|(major, minor)| [tidy(major.arcmin()), tidy(minor.arcmin())]),
        "magnitude": subject.magnitude.map(tidy),
        "shower": subject.shower().map(shower_as_json),
    })
}

fn shower_as_json(shower: &Shower) -> Value {
    json!({
        "iau_number": shower.number,
        "active_from": date(shower.from),
        "active_to": date(shower.to),
        "maximum_solar_longitude_deg": tidy(shower.maximum.deg()),
        "radiant_right_ascension_deg": tidy(shower.right_ascension.deg()),
        "radiant_declination_deg": tidy(shower.declination.deg()),
        "speed_km_s": shower.speed_km_s,
        "zenithal_hourly_rate": shower.zenithal_hourly_rate,
    })
}

/// To a millionth: what is beyond comes from changing units.
fn tidy(value: f64) -> f64 {
    (value * 1e6).round() / 1e6
}
