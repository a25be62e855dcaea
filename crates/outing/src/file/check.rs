//! From text to checked values, each with its line.

use std::collections::BTreeMap;

use jiff::civil::Date;
use jiff::tz::TimeZone;
use toml_edit::{Document, Item, Key, TableLike, Value as Toml};

use super::near::nearest;
use super::options::{FRAME_OPTIONS, OPTIONS, OptionKind, OptionSpec, SECTIONS};
use super::typed_value::{number_typed, takes_text};
use crate::error::SettingFault;
use crate::plan::Crop;
use crate::typed::{self, MomentTyped};
use crate::zone::near_zones;

/// A value of the right kind within its range.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Value {
    Text(String),
    Number(f64),
    Whole(i64),
    Flag(bool),
    Pair([f64; 2]),
    Crop(Crop),
    Moment(MomentTyped),
    Date(Date),
    OffsetS(i32),
}

/// A value and its line.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct At {
    pub(super) line: usize,
    pub(super) value: Value,
}

/// What one document says.
#[derive(Debug, Default)]
pub(super) struct Checked {
    /// By (section, key).
    pub(super) values: BTreeMap<(&'static str, &'static str), At>,
    /// By frame path, then key; with the line of the frame.
    pub(super) frames: BTreeMap<String, (usize, BTreeMap<&'static str, At>)>,
}

struct Checker<'a> {
    text: &'a str,
    faults: Vec<SettingFault>,
    out: Checked,
}

pub(super) fn check(text: &str) -> Result<Checked, Vec<SettingFault>> {
    let document = Document::parse(text).map_err(|e| vec![syntax_fault(text, &e)])?;
    let mut checker = Checker {
        text,
        faults: Vec::new(),
        out: Checked::default(),
    };
    for (name, item) in document.as_table().iter() {
        let line = checker.line_of(document.as_table().key(name), item);
        checker.section(name, item, line);
    }
    if checker.faults.is_empty() {
        Ok(checker.out)
    } else {
        Err(checker.faults)
    }
}

fn syntax_fault(text: &str, error: &toml_edit::TomlError) -> SettingFault {
    let line = error.span().map_or(1, |s| line_at(text, s.start));
    let message = error.message().trim().replace('\n', "; ");
    let shown = text.lines().nth(line - 1).unwrap_or_default().trim();
    let key = shown.split('=').next().unwrap_or_default().trim().to_owned();
    let key = if shown.contains('=') { key } else { String::new() };
    let better = without_quotes(&key, shown).unwrap_or_else(|| "a line is: key = value".into());
    SettingFault {
        line,
        key,
        message: format!("this is not valid TOML ({message}), found “{shown}”; {better}"),
    }
}

/// How a number that was written with its unit, or in degrees and minutes, is written.
fn without_quotes(key: &str, shown: &str) -> Option<String> {
    let option = OPTIONS.iter().find(|o| o.key == key)?;
    let OptionKind::Number { .. } = option.kind else {
        return None;
    };
    let (_, typed) = shown.split_once('=')?;
    let typed = typed.split('#').next()?.trim();
    let value = number_typed(option, typed).ok()?;
    Some(match takes_text(option) {
        true => format!(
            "write {key} = {value}, or {key} = {}",
            Toml::from(typed).to_string().trim()
        ),
        false => format!("write {key} = {value}"),
    })
}

fn line_at(text: &str, offset: usize) -> usize {
    text.as_bytes()
        .iter()
        .take(offset)
        .filter(|b| **b == b'\n')
        .count()
        + 1
}

impl Checker<'_> {
    fn line_of(&self, key: Option<&Key>, item: &Item) -> usize {
        let span = key.and_then(Key::span).or_else(|| item.span());
        span.map_or(0, |s| line_at(self.text, s.start))
    }

    fn fault(&mut self, line: usize, key: impl Into<String>, message: String) {
        self.faults.push(SettingFault {
            line,
            key: key.into(),
            message,
        });
    }

    fn section(&mut self, name: &str, item: &Item, line: usize) {
        let Some(&(section, _)) = SECTIONS.iter().find(|(s, _)| *s == name) else {
            return self.unknown_section(name, item, line);
        };
        let Some(table) = item.as_table_like() else {
            let message = format!(
                "expected [{section}] on a line of its own, found {}; write [{section}] and its keys below it",
                written(name, item)
            );
            return self.fault(line, name, message);
        };
        for (key, item) in table.iter() {
            let line = self.line_of(table.key(key), item);
            if section == "frames" {
                self.frame(key, item, line);
            } else {
                self.key(section, key, item, line);
            }
        }
    }

    fn unknown_section(&mut self, name: &str, item: &Item, line: usize) {
        let sections = SECTIONS.iter().map(|(s, _)| *s);
        let message = if item.is_table_like() {
            let hint = match nearest(name, sections.clone()) {
                Some(s) => format!("did you mean [{s}]?"),
                None => format!("the sections are {}", sections.collect::<Vec<_>>().join(", ")),
            };
            format!("there is no section [{name}]; {hint}")
        } else if let Some(option) = OPTIONS.iter().find(|o| o.key == name) {
            format!(
                "it stands outside any section; move it below [{}]",
                option.section
            )
        } else {
            format!(
                "it stands outside any section and is not known; the sections are {}",
                sections.collect::<Vec<_>>().join(", ")
            )
        };
        self.fault(line, name, message);
    }

    fn key(&mut self, section: &'static str, key: &str, item: &Item, line: usize) {
        let Some(option) = OPTIONS.iter().find(|o| o.section == section && o.key == key) else {
            return self.fault(line, format!("{section}.{key}"), unknown_key(section, key));
        };
        match value_of(option, item) {
            Ok(value) => {
                self.out
                    .values
                    .insert((option.section, option.key), At { line, value });
            }
            Err(message) => self.fault(line, format!("{section}.{key}"), message),
        }
    }

    fn frame(&mut self, path: &str, item: &Item, line: usize) {
        let name = format!("frames.{path:?}");
        let Some(table) = item.as_table_like() else {
            let message = format!(
                "expected {{ role = ..., use = ... }}, found {}; write for instance \"{path}\" = {{ role = \"land\" }}",
                found(item)
            );
            return self.fault(line, name, message);
        };
        if let Some(better) = plain_path(path) {
            let message = format!(
                "expected a path from the outing's folder with / between the parts, found “{path}”; write “{better}”"
            );
            return self.fault(line, name, message);
        }
        let said = self.frame_options(&name, table);
        self.out.frames.insert(path.to_owned(), (line, said));
    }

    fn frame_options(&mut self, name: &str, table: &dyn TableLike) -> BTreeMap<&'static str, At> {
        let mut said = BTreeMap::new();
        for (key, item) in table.iter() {
            let line = self.line_of(table.key(key), item);
            let Some(option) = FRAME_OPTIONS.iter().find(|o| o.key == key) else {
                let hint = match nearest(key, FRAME_OPTIONS.iter().map(|o| o.key)) {
                    Some(k) => format!("did you mean {k}?"),
                    None => "a frame has role and use".into(),
                };
                self.fault(
                    line,
                    format!("{name}.{key}"),
                    format!("there is no such key; {hint}"),
                );
                continue;
            };
            match value_of(option, item) {
                Ok(value) => {
                    said.insert(option.key, At { line, value });
                }
                Err(message) => self.fault(line, format!("{name}.{key}"), message),
            }
        }
        said
    }
}

/// How a path should have been written, if it was not.
fn plain_path(path: &str) -> Option<String> {
    let better = path.replace('\\', "/");
    let better = better.trim_start_matches("./").trim_start_matches('/');
    (better != path).then(|| better.to_owned())
}

/// The part of a key before its unit.
fn stem(key: &str) -> &str {
    key.rsplit_once('_').map_or(key, |(stem, _)| stem)
}

const UNITS: &[&str] = &[
    "deg", "rad", "arcmin", "arcsec", "m", "km", "ft", "mm", "cm", "um", "s", "ms", "min", "h", "px",
    "stops", "ev",
];

fn unknown_key(section: &str, key: &str) -> String {
    let here = || OPTIONS.iter().filter(|o| o.section == section);
    let base = if UNITS.contains(&key.rsplit('_').next().unwrap_or_default()) {
        stem(key)
    } else {
        key
    };
    if let Some(o) = here().find(|o| o.key != stem(o.key) && stem(o.key) == base && unit(o).is_some()) {
        return format!(
            "there is no such key; the unit belongs to the name: write {} ({})",
            o.key,
            unit(o).unwrap_or_default()
        );
    }
    if let Some(o) = OPTIONS.iter().find(|o| o.key == key) {
        return format!("it belongs to another section; move it below [{}]", o.section);
    }
    match nearest(key, here().map(|o| o.key)) {
        Some(k) => format!("there is no such key; did you mean {k}?"),
        None => format!(
            "there is no such key; [{section}] has {}",
            here().map(|o| o.key).collect::<Vec<_>>().join(", ")
        ),
    }
}

fn unit(option: &OptionSpec) -> Option<&'static str> {
    match option.kind {
        OptionKind::Number { unit, .. } | OptionKind::Whole { unit, .. } | OptionKind::Pair { unit, .. }
            if !unit.is_empty() =>
        {
            Some(unit)
        }
        _ => None,
    }
}

/// A section's name as it was written where a section was expected.
fn written(name: &str, item: &Item) -> String {
    match item {
        Item::ArrayOfTables(_) => format!("[[{name}]]"),
        _ => format!("{name} = {}", found(item)),
    }
}

/// The item as an error shows it.
fn found(item: &Item) -> String {
    match item {
        Item::Value(Toml::String(s)) => format!("the text “{}”", s.value()),
        Item::Value(v) => v.to_string().trim().to_owned(),
        Item::Table(_) | Item::ArrayOfTables(_) => "a section".into(),
        Item::None => "nothing".into(),
    }
}

fn value_of(option: &OptionSpec, item: &Item) -> Result<Value, String> {
    let wrong = |hint: &str| {
        let hint = if hint.is_empty() {
            format!("write for instance {} = {}", option.key, option.example)
        } else {
            hint.to_owned()
        };
        format!(
            "expected {}, found {}; {hint}",
            option.kind.expected(),
            found(item)
        )
    };
    let text = item.as_str();
    match option.kind {
        OptionKind::Text | OptionKind::File => {
            text.map(|t| Value::Text(t.to_owned())).ok_or_else(|| wrong(""))
        }
        OptionKind::Flag => item.as_bool().map(Value::Flag).ok_or_else(|| wrong("")),
        OptionKind::Number { min, max, .. } => in_range(option, item, min, max)
            .map(Value::Number)
            .map_err(|h| wrong(&h)),
        OptionKind::Whole { min, max, .. } => match item.as_integer() {
            Some(n) if (min..=max).contains(&n) => Ok(Value::Whole(n)),
            _ => Err(wrong("")),
        },
        OptionKind::Choice(words) => choice(text, words).map_err(|h| wrong(&h)),
        OptionKind::Pair { min, max, .. } => pair(item, min, max).map(Value::Pair).ok_or_else(|| wrong("")),
        OptionKind::Crop => crop(item).map(Value::Crop).map_err(|h| wrong(&h)),
        OptionKind::Date => date(item).map(Value::Date).ok_or_else(|| wrong("")),
        OptionKind::Moment => moment(item).map(Value::Moment).map_err(|h| wrong(&h)),
        OptionKind::Zone => match text {
            Some(t) if TimeZone::get(t).is_ok() => Ok(Value::Text(t.to_owned())),
            Some(t) => Err(wrong(&did_you_mean(&near_zones(t)))),
            None => Err(wrong("")),
        },
        OptionKind::Offset => text
            .and_then(offset_seconds)
            .map(Value::OffsetS)
            .ok_or_else(|| wrong("")),
        OptionKind::Frame => match text {
            Some(t) => match plain_path(t) {
                None => Ok(Value::Text(t.to_owned())),
                Some(better) => Err(wrong(&format!("write \"{better}\""))),
            },
            None => Err(wrong("")),
        },
    }
}

fn number_of(item: &Item) -> Option<f64> {
    item.as_float()
        .or_else(|| item.as_integer().map(|n| n as f64))
        .filter(|v| v.is_finite())
}

fn in_range(option: &OptionSpec, item: &Item, min: f64, max: f64) -> Result<f64, String> {
    if let Some(v) = number_of(item) {
        return if (min..=max).contains(&v) {
            Ok(v)
        } else {
            Err(format!("set {} within that range", option.key))
        };
    }
    let Some(text) = item.as_str() else {
        return Err(String::new());
    };
    match number_typed(option, text) {
        Ok(v) if takes_text(option) && (min..=max).contains(&v) => Ok(v),
        Ok(v) => Err(format!(
            "write the bare number without quotes or unit: {} = {v}",
            option.key
        )),
        Err(error) => Err(error.to_string()),
    }
}

fn choice(text: Option<&str>, words: &[&str]) -> Result<Value, String> {
    let Some(text) = text else {
        return Err(String::new());
    };
    if words.contains(&text) {
        return Ok(Value::Text(text.to_owned()));
    }
    match nearest(text, words.iter().copied()) {
        Some(word) => Err(format!("did you mean \"{word}\"?")),
        None => Err("choose one of them".into()),
    }
}

/// A number, written whole or not.
pub fn real(value: &Toml) -> Option<f64> {
    value.as_float().or_else(|| value.as_integer().map(|n| n as f64))
}

fn pair(item: &Item, min: f64, max: f64) -> Option<[f64; 2]> {
    let array = item.as_array()?;
    let values: Vec<f64> = array
        .iter()
        .filter_map(real)
        .filter(|v| (min..=max).contains(v))
        .collect();
    (array.len() == 2 && values.len() == 2).then(|| [values[0], values[1]])
}

fn crop(item: &Item) -> Result<Crop, String> {
    if let Some(text) = item.as_str() {
        return match choice(Some(text), &["covered", "all"])? {
            Value::Text(word) if word == "all" => Ok(Crop::All),
            _ => Ok(Crop::Covered),
        };
    }
    let array = item.as_array().ok_or_else(String::new)?;
    let edges: Vec<usize> = array
        .iter()
        .filter_map(Toml::as_integer)
        .filter_map(|v| usize::try_from(v).ok())
        .collect();
    let edges = <[usize; 4]>::try_from(edges).map_err(|_| String::new())?;
    let [left, top, right, bottom] = edges;
    if array.len() == 4 && left < right && top < bottom {
        Ok(Crop::Box(edges))
    } else {
        Err(String::new())
    }
}

fn date(item: &Item) -> Option<Date> {
    match item.as_datetime() {
        Some(d) if d.time.is_some() => None,
        Some(d) => d.to_string().parse().ok(),
        None => item.as_str()?.parse().ok(),
    }
}

fn did_you_mean(names: &[String]) -> String {
    let quoted: Vec<String> = names.iter().map(|n| format!("\"{n}\"")).collect();
    match quoted.as_slice() {
        [] => String::new(),
        names => format!("did you mean {}?", names.join(" or ")),
    }
}

/// Years that a photograph can be of.
const YEARS: std::ops::RangeInclusive<i16> = 1970..=2200;

fn moment(item: &Item) -> Result<MomentTyped, String> {
    let text = match item.as_datetime() {
        Some(d) => d.to_string(),
        None => item.as_str().ok_or_else(String::new)?.to_owned(),
    };
    let moment = typed::moment(&text).map_err(|e| e.to_string())?;
    let year = match &moment {
        MomentTyped::At(instant) => TimeZone::UTC.to_datetime(instant.timestamp()).year(),
        MomentTyped::Local(local, _) => local.year(),
        MomentTyped::Clock(..) => return Ok(moment),
    };
    if YEARS.contains(&year) {
        Ok(moment)
    } else {
        Err(format!("give a year from {} to {}", YEARS.start(), YEARS.end()))
    }
}

/// Seconds of an offset like `+02:00`, `-0330`, `Z`; at most 14 hours, the largest in use.
pub fn offset_seconds(text: &str) -> Option<i32> {
    let text = text.trim();
    if text == "Z" {
        return Some(0);
    }
    let (sign, rest) = match (text.strip_prefix('+'), text.strip_prefix(['-', '−'])) {
        (Some(rest), _) => (1, rest),
        (_, Some(rest)) => (-1, rest),
        _ => return None,
    };
    let digits: String = rest.chars().filter(|c| *c != ':').collect();
    if digits.len() != 4 || !digits.bytes().all(|b| b.is_ascii_digit()) {
        return None;
    }
    let (h, m) = (digits[..2].parse::<i32>().ok()?, digits[2..].parse::<i32>().ok()?);
    let seconds = h * 3600 + m * 60;
    (m < 60 && seconds <= 14 * 3600).then_some(sign * seconds)
}
