//! An outing begun before: what frames or a plan tell is added, what stands there stays.

use nightloom_outing::{Filled, SettingsError, option_in, options::OPTIONS, template, with_option};
use serde::{Deserialize, Serialize};
use toml_edit::{DocumentMut, Item, Value};

/// Where what stands in the file is not what was found.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Difference {
    /// The option, as `section.key`.
    pub key: String,
    /// What stands in the file, and stays.
    pub kept: String,
    /// What was found.
    pub found: String,
    /// Where it was found.
    pub from: String,
}

/// The file's new text.
#[derive(Debug, Default)]
pub(super) struct Merged {
    pub(super) text: String,
    /// Options that were added, as `section.key`.
    pub(super) added: Vec<String>,
    pub(super) differences: Vec<Difference>,
}

/// Adds to `old` what it does not say.
pub(super) fn merged(old: &str, filled: &[Filled]) -> Result<Merged, SettingsError> {
    let mut out = Merged {
        text: old.to_owned(),
        ..Merged::default()
    };
    for one in filled {
        let value = typed(&one.toml);
        match option_in(&out.text, one.section, one.key)? {
            Some(kept) if same(one.key, &kept, &value) => {}
            Some(kept) => out.differences.push(Difference {
                key: format!("{}.{}", one.section, one.key),
                kept,
                found: value,
                from: one.from.clone(),
            }),
            None => {
                let beside = filled.iter().find(|f| f.key == "longitude_deg");
                let value = match (one.key, beside) {
                    // Latitude and longitude stand or fall together.
                    ("latitude_deg", Some(longitude)) => format!("{value}; {}", longitude.toml),
                    _ => value,
                };
                out.text = with_option(&out.text, one.section, one.key, &value)?;
                out.added.push(format!("{}.{}", one.section, one.key));
            }
        }
    }
    // Set along with the latitude, so it was found there already.
    if out.added.iter().any(|k| k == "site.latitude_deg") {
        let longitude = "site.longitude_deg".to_owned();
        if !out.added.contains(&longitude) {
            out.added.insert(1, longitude);
        }
    }
    Ok(out)
}

/// The file anew with today's comments and options, round everything that is set in it.
pub(super) fn afresh(old: &str, summary: &[String]) -> Result<String, SettingsError> {
    let document: DocumentMut = match old.parse() {
        Ok(document) => document,
        Err(_) => {
            return nightloom_outing::parse_settings(old, nightloom_outing::OUTING_TOML)
                .map(|_| String::new());
        }
    };
    let value_of = |section: &str, key: &str| document.get(section)?.get(key)?.as_value();
    let kept: Vec<Filled> = OPTIONS
        .iter()
        .filter_map(|o| {
            let value = value_of(o.section, o.key)?;
            let comment = value
                .decor()
                .suffix()
                .and_then(|s| s.as_str())
                .unwrap_or_default();
            let comment = comment.trim().trim_start_matches('#').trim();
            Some(Filled {
                section: o.section,
                key: o.key,
                toml: value.clone().decorated("", "").to_string(),
                from: if comment.is_empty() {
                    "as it was".into()
                } else {
                    comment.to_owned()
                },
            })
        })
        .collect();
    let mut text = template(&kept, summary);
    for (path, item) in document
        .get("frames")
        .and_then(Item::as_table_like)
        .into_iter()
        .flat_map(|t| t.iter())
    {
        if let Some(value) = item.clone().into_value().ok().filter(|_| !item.is_none()) {
            let key = Value::from(path);
            text.push_str(&format!("{key} = {}\n", value.decorated("", "")));
        }
    }
    Ok(text)
}

/// A TOML value as a person types it: texts without quotes.
fn typed(toml: &str) -> String {
    let value = toml.parse::<Value>().ok();
    let text = value.as_ref().and_then(Value::as_str);
    text.map_or_else(|| toml.to_owned(), str::to_owned)
}

/// Whether two values say the same, within what a satellite fix, a map and a zoom ring differ by anyway.
fn same(key: &str, a: &str, b: &str) -> bool {
    let apart = match (a.parse::<f64>(), b.parse::<f64>()) {
        (Ok(a), Ok(b)) => (a - b).abs(),
        _ => return a == b,
    };
    // Common practice, no source: 0.002° are 220 m.
    apart
        <= match key {
            "latitude_deg" | "longitude_deg" => 0.002,
            "elevation_m" => 30.0,
            "pixel_um" => 0.02,
            "focal_mm" => 0.05,
            _ => 0.0,
        }
}
