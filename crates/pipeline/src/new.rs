//! Writes the first `outing.toml` from what the frames tell of themselves.

mod merge;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use nightloom_raster::atomic::write_whole;
use nightloom_raster::{DecodeError, FrameMeta};
use serde::{Deserialize, Serialize};

use crate::roles::{FrameFacts, RoleDecision, decide_roles};
use merge::Merged;
use nightloom_outing::{
    Discovery, Filled, FolderError, OUTING_TOML, SettingsError, Step, World, discover, parse_settings,
    template, turn_to_write,
};

pub use merge::Difference;

/// How a new outing is begun.
#[derive(Clone, Debug, Default)]
pub struct NewOptions {
    /// Write an `outing.toml` that is there anew, round everything that is set in it; the old one is kept as a copy.
    pub force: bool,
    /// What is planned: it goes before what frames tell, and an outing can begin with it before there are any.
    pub given: Vec<Filled>,
}

/// What was written.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct NewReport {
    /// The file written.
    pub file: PathBuf,
    /// The copy of the old file, if there was one.
    pub old: Option<PathBuf>,
    /// Options that could be filled in, as `section.key`.
    pub filled: Vec<String>,
    /// Where the file says other than what was found; the file's stays.
    #[serde(default)]
    pub differences: Vec<Difference>,
    /// How many frames have each role by now; “undecided” ones are decided by their content when built.
    pub roles: BTreeMap<String, usize>,
    /// Frames that could not be read, with the reason.
    pub unreadable: Vec<(String, String)>,
    /// Sentences worth reading.
    pub notes: Vec<String>,
}

/// A new outing that could not be begun.
#[derive(Debug, thiserror::Error)]
pub enum NewError {
    /// The folder does not allow it.
    #[error(transparent)]
    Folder(#[from] FolderError),
    /// The person stopped it.
    #[error("stopped before anything was written")]
    Cancelled,
    /// The `outing.toml` that is there has faults.
    #[error(transparent)]
    Settings(#[from] SettingsError),
    /// What was to be written would not be read again: a fault of the program.
    #[error("the settings made from the frames' data are not valid ({0}); please report this")]
    Invalid(String),
}

/// Reads the frames' EXIF and writes `outing.toml` into `folder`, whole or not at all. To one that is there it adds what
/// is missing; what stands in it stays.
///
/// # Errors
/// If the folder is missing or holds no frames and nothing is given, if it cannot be written to, or if its `outing.toml`
/// has faults.
pub fn new_outing(folder: &Path, options: &NewOptions, world: &dyn World) -> Result<NewReport, NewError> {
    let planned = !options.given.is_empty();
    let found = match discover(folder) {
        Err(FolderError::Missing { .. }) if planned => Discovery::default(),
        found => found?,
    };
    let file = folder.join(OUTING_TOML);
    if found.frames.is_empty() && !planned {
        return Err(FolderError::NoFrames { path: folder.into() }.into());
    }
    let (facts, unreadable) = read_facts(&found, world)?;
    let decisions = decide_roles(&facts, &BTreeMap::new());
    let mut filled = options.given.clone();
    let own = |f: &Filled| {
        options
            .given
            .iter()
            .any(|g| (g.section, g.key) == (f.section, f.key))
    };
    filled.extend(fill(&facts).into_iter().filter(|f| !own(f)));
    let summary = summary(&facts, &decisions, &unreadable);
    let unwritable = |e: &std::io::Error| NewError::Folder(FolderError::unwritable(&file, e));
    // A page, or another command, may be at it too.
    let _turn = turn_to_write(folder).map_err(|e| unwritable(&e))?;
    let old_text = match std::fs::read_to_string(&file) {
        Ok(text) => Some(text),
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => None,
        Err(e) => return Err(NewError::Folder(FolderError::unreadable(&file, &e))),
    };
    let made = match &old_text {
        Some(old) => merge::merged(old, &filled)?,
        None => Merged {
            text: template(&filled, &summary),
            added: filled
                .iter()
                .map(|f| format!("{}.{}", f.section, f.key))
                .collect(),
            differences: Vec::new(),
        },
    };
    let text = match old_text {
        Some(_) if options.force => merge::afresh(&made.text, &summary)?,
        _ => made.text,
    };
    parse_settings(&text, OUTING_TOML).map_err(|e| NewError::Invalid(e.to_string()))?;
    let old = match &old_text {
        Some(_) if options.force => Some(keep_old(&file).map_err(|e| unwritable(&e))?),
        _ => None,
    };
    if old_text.as_ref() != Some(&text) {
        std::fs::create_dir_all(folder).map_err(|e| unwritable(&e))?;
        write_whole(&file, |out| std::io::Write::write_all(out, text.as_bytes()))
            .map_err(|e| unwritable(&e))?;
    }
    Ok(NewReport {
        filled: made.added,
        differences: made.differences,
        roles: count(&decisions),
        notes: found.notes,
        file,
        old,
        unreadable,
    })
}

type Unreadable = Vec<(String, String)>;

fn read_facts(found: &Discovery, world: &dyn World) -> Result<(Vec<FrameFacts>, Unreadable), NewError> {
    let mut facts = Vec::new();
    let mut unreadable = Vec::new();
    for (n, frame) in found.frames.iter().enumerate() {
        if world.is_cancelled() {
            return Err(NewError::Cancelled);
        }
        let done = n as f64 / found.frames.len() as f64;
        world.progress(&Step {
            stage: "reading the frames' data",
            done,
            overall: Some(done),
            note: &frame.name,
        });
        match world.meta(&frame.path) {
            Ok(meta) => facts.push(FrameFacts {
                name: frame.name.clone(),
                meta,
                ..FrameFacts::default()
            }),
            Err(DecodeError::Cancelled { .. }) => return Err(NewError::Cancelled),
            Err(e) => unreadable.push((frame.name.clone(), e.to_string())),
        }
    }
    Ok((facts, unreadable))
}

/// The first free name of the form `outing.toml.old`, `outing.toml.old2`, …; the old file is copied to it.
fn keep_old(file: &Path) -> std::io::Result<PathBuf> {
    let mut n = 1usize;
    loop {
        let name = if n == 1 {
            format!("{OUTING_TOML}.old")
        } else {
            format!("{OUTING_TOML}.old{n}")
        };
        let copy = file.with_file_name(name);
        if !copy.exists() {
            let bytes = std::fs::read(file)?;
            write_whole(&copy, |out| std::io::Write::write_all(out, &bytes))?;
            return Ok(copy);
        }
        n += 1;
    }
}

fn count(decisions: &[RoleDecision]) -> BTreeMap<String, usize> {
    let mut roles = BTreeMap::new();
    for d in decisions {
        *roles
            .entry(d.role.map_or("undecided", |r| r.word()).to_owned())
            .or_default() += 1;
    }
    roles
}

fn fill(facts: &[FrameFacts]) -> Vec<Filled> {
    let mut out = Vec::new();
    let mut add = |section, key, toml: Option<String>, from: &str| {
        out.extend(toml.map(|toml| Filled {
            section,
            key,
            toml,
            from: from.to_owned(),
        }));
    };
    let place = most_common(facts, |m| {
        m.gps_deg
            .filter(|g| g[0].abs() <= 90.0 && g[1].abs() <= 180.0)
            .map(place_text)
    });
    if let Some((lat, lon)) = place.as_deref().and_then(|p| p.split_once(' ')) {
        add("site", "latitude_deg", Some(lat.into()), "the frames' GPS");
        add("site", "longitude_deg", Some(lon.into()), "the frames' GPS");
        let height = |m: &FrameMeta| {
            m.gps_elevation_m
                .filter(|h| (-450.0..=9000.0).contains(h))
                .map(|h| format!("{h:.1}"))
        };
        add(
            "site",
            "elevation_m",
            most_common(facts, height),
            "the frames' GPS",
        );
    }
    add(
        "rig",
        "camera",
        most_common(facts, |m| m.model.as_deref().map(|t| quoted(&camera(m, t)))),
        "the frames' EXIF",
    );
    add(
        "rig",
        "lens",
        most_common(facts, |m| m.lens.as_deref().and_then(told).map(quoted)),
        "the frames' EXIF",
    );
    let within = |v: f64, min: f64, max: f64| {
        (v.is_finite() && (min..=max).contains(&v)).then(|| format!("{}", Toml(v)))
    };
    add(
        "rig",
        "focal_mm",
        most_common(facts, |m| within(m.focal_mm?, 1.0, 5000.0)),
        "the frames' EXIF",
    );
    let pitch = |m: &FrameMeta| within((m.pixel_um? * 1000.0).round() / 1000.0, 0.5, 50.0);
    add("rig", "pixel_um", most_common(facts, pitch), "the frames' EXIF");
    let offset = |m: &FrameMeta| {
        m.taken_offset
            .as_deref()
            .filter(|t| nightloom_outing::offset_seconds(t).is_some_and(|_| t.len() == 6))
            .map(quoted)
    };
    add(
        "camera_clock",
        "offset",
        most_common(facts, offset),
        "the frames' EXIF",
    );
    out
}

fn place_text([lat, lon]: [f64; 2]) -> String {
    format!("{lat:.5} {lon:.5}")
}

/// A text that says something.
fn told(text: &str) -> Option<&str> {
    let text = text.trim();
    (!text.is_empty() && !text.bytes().all(|b| b == b'-')).then_some(text)
}

fn camera(meta: &FrameMeta, model: &str) -> String {
    let make = meta.make.as_deref().and_then(told).unwrap_or_default();
    if model.to_lowercase().starts_with(&make.to_lowercase()) {
        model.trim().into()
    } else {
        format!("{make} {}", model.trim())
    }
}

/// A float that TOML reads as one.
struct Toml(f64);

impl std::fmt::Display for Toml {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{:?}", self.0)
    }
}

fn quoted(text: &str) -> String {
    toml_edit::Value::from(text).to_string()
}

/// The value that the most frames tell; of equals the first in order.
fn most_common(facts: &[FrameFacts], of: impl Fn(&FrameMeta) -> Option<String>) -> Option<String> {
    let mut counts: BTreeMap<String, usize> = BTreeMap::new();
    for value in facts.iter().filter_map(|f| of(&f.meta)) {
        *counts.entry(value).or_default() += 1;
    }
    counts
        .into_iter()
        .max_by(|a, b| a.1.cmp(&b.1).then(b.0.cmp(&a.0)))
        .map(|(value, _)| value)
}

/// What was found, role by role, as lines of comment.
fn summary(facts: &[FrameFacts], decisions: &[RoleDecision], unreadable: &Unreadable) -> Vec<String> {
    let mut groups: BTreeMap<(Option<nightloom_outing::Role>, &str), Vec<&FrameFacts>> = BTreeMap::new();
    for (frame, d) in facts.iter().zip(decisions) {
        groups.entry((d.role, d.reason.as_str())).or_default().push(frame);
    }
    let mut lines =
        vec!["Found when this file was written (nightloom build looks anew, at the content too):".to_owned()];
    for ((role, reason), frames) in &groups {
        let first = frames.first().map_or("", |f| f.name.as_str());
        let last = frames.last().map_or("", |f| f.name.as_str());
        let span = if frames.len() == 1 {
            first.to_owned()
        } else {
            format!("{first} to {last}")
        };
        let (role, reason) = match role {
            Some(role) => (role.word(), *reason),
            None => ("undecided", "decided by content when built"),
        };
        lines.push(format!("  {} {role}: {span} ({reason})", frames.len()));
    }
    lines.extend(
        unreadable
            .iter()
            .map(|(name, why)| format!("  not readable: {name} ({why})")),
    );
    lines
}
