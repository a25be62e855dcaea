//! One option of an `outing.toml` changed, everything else left as it stands.

use toml_edit::{DocumentMut, Item, Value as Toml};

use super::options::{OPTIONS, OptionKind, OptionSpec};
use super::typed_value::number_typed;
use super::{parse_settings, template};
use crate::discover::OUTING_TOML;
use crate::error::{SettingFault, SettingsError};
use crate::typed::{TypedError, date, place};

/// The value of one option as a person would type it, texts without quotes; `None` where it is off.
///
/// # Errors
/// If the text is not valid, or there is no such option.
pub fn option_in(text: &str, section: &str, key: &str) -> Result<Option<String>, SettingsError> {
    known(section, key)?;
    parse_settings(text, OUTING_TOML)?;
    let document = parsed(text)?;
    Ok(document
        .get(section)
        .and_then(|s| s.get(key))
        .and_then(Item::as_value)
        .map(|v| match v.as_str() {
            Some(text) => text.to_owned(),
            None => v.clone().decorated("", "").to_string(),
        }))
}

/// The text with one option set to what a person typed, or switched off where `typed` is empty.
///
/// Texts need no quotes, numbers may have a decimal comma. Comments and order stay; a line of the template that is
/// off is switched on where it stands. An empty `text` begins a new file. The result is checked as a whole.
///
/// ```
/// let text = "[rig] # borrowed\n# focal_mm = 24.0\n";
/// let text = nightloom_outing::with_option(text, "rig", "focal_mm", "27,5").unwrap();
/// assert_eq!(text, "[rig] # borrowed\nfocal_mm = 27.5\n");
/// ```
///
/// Latitude and longitude stand or fall together, so both may be typed for the latitude:
///
/// ```
/// let text = nightloom_outing::with_option("[site]\n", "site", "latitude_deg", "47.25, -8.5").unwrap();
/// assert_eq!(text, "[site]\nlatitude_deg = 47.25\nlongitude_deg = -8.5\n");
/// let text = nightloom_outing::with_option(&text, "site", "latitude_deg", "").unwrap();
/// assert!(!text.contains("\nl"), "both are off: {text}");
/// ```
///
/// # Errors
/// What [`parse_settings`] says of the result, or that there is no such option.
pub fn with_option(text: &str, section: &str, key: &str, typed: &str) -> Result<String, SettingsError> {
    let option = known(section, key)?;
    let started = if text.trim().is_empty() {
        template(&[], &[])
    } else {
        text.to_owned()
    };
    let typed = typed.trim();
    let changed = match place_typed(section, key, typed) {
        Some([latitude, longitude]) => {
            let text = changed(&started, known(SITE, LATITUDE)?, &latitude)?;
            changed(&text, known(SITE, LONGITUDE)?, &longitude)?
        }
        None => changed(&started, option, typed)?,
    };
    parse_settings(&changed, OUTING_TOML)?;
    Ok(changed)
}

const SITE: &str = "site";
const LATITUDE: &str = "latitude_deg";
const LONGITUDE: &str = "longitude_deg";

/// Latitude and longitude typed together; both empty where either is switched off.
fn place_typed(section: &str, key: &str, typed: &str) -> Option<[String; 2]> {
    if section != SITE || ![LATITUDE, LONGITUDE].contains(&key) {
        return None;
    }
    if typed.is_empty() {
        return Some([String::new(), String::new()]);
    }
    // A figure that may be a latitude alone is one: the longitude has a field of its own.
    match place(typed) {
        Ok(place) if key == LATITUDE => {
            Some([place.latitude_deg, place.longitude_deg].map(|v| v.to_string()))
        }
        _ => None,
    }
}

/// The text with one option changed, not yet checked as a whole.
fn changed(text: &str, option: &OptionSpec, typed: &str) -> Result<String, SettingsError> {
    if typed.is_empty() {
        return switched_off(text, option);
    }
    let value = as_toml(option, typed)?;
    match switched_on(text, option, &value) {
        Some(text) => Ok(text),
        None => set(text, option, &value),
    }
}

fn known(section: &str, key: &str) -> Result<&'static OptionSpec, SettingsError> {
    OPTIONS
        .iter()
        .find(|o| o.section == section && o.key == key)
        .ok_or_else(|| {
            fault(
                &format!("{section}.{key}"),
                "there is no such option; docs/outing-toml.md lists them".into(),
            )
        })
}

fn fault(key: &str, message: String) -> SettingsError {
    SettingsError {
        file: OUTING_TOML.into(),
        faults: vec![SettingFault {
            line: 0,
            key: key.into(),
            message,
        }],
    }
}

fn parsed(text: &str) -> Result<DocumentMut, SettingsError> {
    // The checks name line and key better than the parser does.
    let named = |e: toml_edit::TomlError| match parse_settings(text, OUTING_TOML) {
        Err(error) => error,
        Ok(_) => fault("", e.message().to_owned()),
    };
    text.parse::<DocumentMut>().map_err(named)
}

fn as_toml(option: &OptionSpec, typed: &str) -> Result<Toml, SettingsError> {
    let bare = |text: &str| text.parse::<Toml>().ok();
    let value = match option.kind {
        OptionKind::Number { .. } => {
            let named = |e: TypedError| fault(&format!("{}.{}", option.section, option.key), e.to_string());
            Some(Toml::from(number_typed(option, typed).map_err(named)?))
        }
        OptionKind::Whole { .. } => typed.parse::<i64>().ok().map(Toml::from),
        OptionKind::Flag => match typed {
            "true" | "yes" | "on" => Some(Toml::from(true)),
            "false" | "no" | "off" => Some(Toml::from(false)),
            _ => None,
        },
        OptionKind::Pair { .. } => bare(&format!("[{}]", typed.trim_matches(['[', ']']))),
        OptionKind::Crop if typed.contains(',') => bare(&format!("[{}]", typed.trim_matches(['[', ']']))),
        OptionKind::Date => {
            let named = |e: TypedError| fault(&format!("{}.{}", option.section, option.key), e.to_string());
            bare(&date(typed).map_err(named)?.to_string())
        }
        _ => Some(Toml::from(unquoted(typed))),
    };
    value.ok_or_else(|| {
        fault(
            &format!("{}.{}", option.section, option.key),
            format!("expected {}, found “{typed}”", option.kind.expected()),
        )
    })
}

/// Quotes round the whole are the file's, not the text's.
fn unquoted(typed: &str) -> &str {
    typed
        .strip_prefix('"')
        .and_then(|t| t.strip_suffix('"'))
        .unwrap_or(typed)
}

/// Takes the `#` from the option's line in its section, if the template's line is there and the option is off.
fn switched_on(text: &str, option: &OptionSpec, value: &Toml) -> Option<String> {
    let document = text.parse::<DocumentMut>().ok()?;
    let section = document.get(option.section);
    if section.and_then(|s| s.get(option.key)).is_some() {
        return None;
    }
    let mut inside = false;
    let mut done = false;
    let mut lines: Vec<String> = Vec::new();
    for line in text.split_inclusive('\n') {
        let bare = line.trim();
        if bare.starts_with('[') {
            inside = bare
                .trim_start_matches('[')
                .split(']')
                .next()
                .is_some_and(|name| name.trim() == option.section);
        }
        let off = bare.strip_prefix('#').and_then(|rest| rest.split_once('='));
        if inside && !done && off.is_some_and(|(key, _)| key.trim() == option.key) {
            done = true;
            let end = if line.ends_with('\n') { "\n" } else { "" };
            lines.push(format!("{} = {value}{end}", option.key));
        } else {
            lines.push(line.to_owned());
        }
    }
    done.then(|| lines.concat())
}

fn set(text: &str, option: &OptionSpec, value: &Toml) -> Result<String, SettingsError> {
    let mut document = parsed(text)?;
    let section = document
        .entry(option.section)
        .or_insert_with(toml_edit::table)
        .as_table_like_mut();
    let Some(section) = section else {
        return Err(fault(
            option.section,
            format!("write [{0}], not {0} = …", option.section),
        ));
    };
    match section.get_mut(option.key).and_then(Item::as_value_mut) {
        Some(old) => {
            let decor = old.decor().clone();
            *old = value.clone();
            *old.decor_mut() = decor;
        }
        None => {
            section.insert(option.key, Item::Value(value.clone()));
        }
    }
    Ok(document.to_string())
}

/// Puts a `#` before the option's line, so that what it was can still be read.
fn switched_off(text: &str, option: &OptionSpec) -> Result<String, SettingsError> {
    let mut document = parsed(text)?;
    let Some(section) = document.get_mut(option.section).and_then(Item::as_table_like_mut) else {
        return Ok(text.to_owned());
    };
    let Some((key, _)) = section.get_key_value(option.key) else {
        return Ok(text.to_owned());
    };
    let comments = key
        .leaf_decor()
        .prefix()
        .and_then(|p| p.as_str())
        .unwrap_or_default();
    let kept = comments.to_owned();
    let Some(gone) = section.remove(option.key) else {
        return Ok(text.to_owned());
    };
    let line = format!("{kept}# {} = {}\n", option.key, gone.to_string().trim());
    Ok(with_comment(document, option.section, &line))
}

/// The comments before what was removed go to what follows it: the section's next key, or the end of the section.
fn with_comment(document: DocumentMut, section: &str, comment: &str) -> String {
    let text = document.to_string();
    let mut out = String::with_capacity(text.len() + comment.len());
    let mut placed = false;
    for line in text.split_inclusive('\n') {
        out.push_str(line);
        let name = line.trim().strip_prefix('[').and_then(|l| l.split(']').next());
        if !placed && name.is_some_and(|n| n.trim() == section) {
            out.push_str(comment.trim_start_matches('\n'));
            placed = true;
        }
    }
    out
}
