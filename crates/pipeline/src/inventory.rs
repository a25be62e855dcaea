//! Which frames there are, what each says of itself, and what it is for.

use std::collections::BTreeMap;
use std::path::PathBuf;

use nightloom_raster::{DecodeError, DecodeOptions};
use nightloom_stars::DetectSettings;

use super::ahead::decoded;
use super::bench::Bench;
use super::error::BuildError;
use crate::journal::StepKey;
use crate::roles::{
    FrameContent, FrameFacts, RoleDecision, decide_roles, left_out_by_camera, left_out_by_lens,
    role_of_folder,
};
use nightloom_outing::Digest;
use nightloom_outing::Role;
use nightloom_outing::Settings;
use nightloom_outing::discover;

/// One frame of the outing.
#[derive(Clone, Debug)]
pub(super) struct Item {
    /// Path inside the outing with `/`.
    pub(super) name: String,
    /// Where it is.
    pub(super) path: PathBuf,
    /// Content hash; `None` where the file cannot be read.
    pub(super) hash: Option<Digest>,
    /// What it says of itself.
    pub(super) facts: FrameFacts,
    /// What it is for.
    pub(super) decision: RoleDecision,
    /// Why it is not used, as far as that is known before its pixels are worked on.
    pub(super) out: Option<String>,
    /// Whether what kept it out may be over the next time: then the picture is not the one its frames make.
    pub(super) passing: bool,
    /// Kept in by the photographer's word against a check's verdict.
    pub(super) insisted: bool,
}

impl Item {
    /// Whether it is to be worked on in this role.
    pub(super) fn serves(&self, role: Role) -> bool {
        self.out.is_none() && self.decision.role == Some(role)
    }

    /// Leaves it out because it could not be decoded.
    pub(super) fn fail(&mut self, error: &DecodeError) {
        self.out = Some(error.to_string());
        self.passing |= error.may_pass();
    }
}

/// What decoding needs to know beside the file.
pub(super) fn decode_options(settings: &Settings) -> DecodeOptions {
    settings.rig.decode_options()
}

/// The same of one frame: what the photographer insists on is taken with its damage.
pub(super) fn options_of(settings: &Settings, item: &Item) -> DecodeOptions {
    DecodeOptions {
        damaged_too: item.insisted,
        ..decode_options(settings)
    }
}

/// Finds the frames and decides their roles.
pub(super) fn inventory(bench: &mut Bench<'_>, settings: &Settings) -> Result<Vec<Item>, BuildError> {
    let found = discover(bench.journal.folder())?;
    for note in found.notes {
        bench.warn(note);
    }
    let total = found.frames.len().max(1);
    let mut items = Vec::with_capacity(total);
    for (i, frame) in found.frames.into_iter().enumerate() {
        bench.show(
            "Reading what the frames say",
            i as f64 / total as f64,
            &frame.name,
        )?;
        items.push(look_at(bench, settings, frame.name, frame.path)?);
    }
    leave_out_copies(&mut items);
    for sentence in decide(&mut items, settings) {
        bench.warn(sentence);
    }
    for (frame, reason) in found.left_out {
        items.push(left_out(frame.name, frame.path, reason));
    }
    items.sort_by(|a, b| a.name.cmp(&b.name));
    Ok(items)
}

fn left_out(name: String, path: PathBuf, reason: String) -> Item {
    let facts = FrameFacts {
        name: name.clone(),
        ..FrameFacts::default()
    };
    let decision = RoleDecision {
        role: None,
        reason: "not looked at".into(),
    };
    Item {
        name,
        path,
        hash: None,
        facts,
        decision,
        out: Some(reason),
        passing: false,
        insisted: false,
    }
}

/// Files of the same content are one frame: the first in name order counts.
fn leave_out_copies(items: &mut [Item]) {
    let mut first = BTreeMap::new();
    for item in items.iter_mut().filter(|i| i.out.is_none()) {
        let Some(hash) = item.hash else { continue };
        match first.get(&hash) {
            None => {
                first.insert(hash, item.name.clone());
            }
            Some(name) => item.out = Some(format!("it is a copy of “{name}”, and counts once")),
        }
    }
}

/// Reads one frame's EXIF and, unless its folder or the settings tell its role, its content.
fn look_at(
    bench: &mut Bench<'_>,
    settings: &Settings,
    name: String,
    path: PathBuf,
) -> Result<Item, BuildError> {
    let said = settings.frames.get(&name);
    let told = said.is_some_and(|f| f.role.is_some()) || role_of_folder(&name).is_some();
    let hash = match bench.journal.hash(&path) {
        Ok(hash) => hash,
        Err(error) => {
            return Ok(Item {
                passing: true,
                ..left_out(name, path, error.to_string())
            });
        }
    };
    let insisted = said.and_then(|f| f.used) == Some(true);
    let options = DecodeOptions {
        damaged_too: insisted,
        ..decode_options(settings)
    };
    let key = StepKey::new("facts", 3)
        .input(&name, hash)
        .settings(&(told, options))
        .finish();
    let (mut out, mut passing) = (None, false);
    let facts = match bench.kept::<FrameFacts>("facts", key) {
        Some(facts) => facts,
        None => match read_facts(bench, &options, &name, &path, told) {
            Ok(facts) => {
                bench.done("facts", key, &[], &facts)?;
                facts
            }
            Err(error) => {
                bench.go_on()?;
                passing = error.may_pass();
                out = Some(error.to_string());
                FrameFacts {
                    name: name.clone(),
                    ..FrameFacts::default()
                }
            }
        },
    };
    if said.and_then(|f| f.used) == Some(false) {
        (out, passing) = (Some("left out by outing.toml".into()), false);
    }
    let decision = RoleDecision {
        role: None,
        reason: String::new(),
    };
    Ok(Item {
        name,
        path,
        hash: Some(hash),
        facts,
        decision,
        out,
        passing,
        insisted,
    })
}

fn read_facts(
    bench: &Bench<'_>,
    options: &DecodeOptions,
    name: &str,
    path: &std::path::Path,
    told: bool,
) -> Result<FrameFacts, DecodeError> {
    let mut facts = FrameFacts {
        name: name.to_owned(),
        ..FrameFacts::default()
    };
    if told {
        facts.meta = bench.world.meta(path)?;
        if !bench.journal.hashes().unchanged(path) {
            return Err(DecodeError::changed(path));
        }
        return Ok(facts);
    }
    let hashes = bench.journal.hashes();
    let frame = decoded(bench.world, &hashes, path, options)?;
    let (width, height) = frame.pixels.size();
    facts.size_px = Some([width, height]);
    facts.meta = frame.meta;
    let image = frame.pixels.brightness();
    let field = nightloom_stars::measure(&image, &DetectSettings::default());
    facts.content = Some(FrameContent::of(&frame.pixels, &field).with_drift(&image, &field));
    Ok(facts)
}

/// Decides the roles; what has to be said of frames left out.
fn decide(items: &mut [Item], settings: &Settings) -> Vec<String> {
    let readable: Vec<usize> = (0..items.len()).filter(|&i| items[i].out.is_none()).collect();
    let facts: Vec<FrameFacts> = readable.iter().map(|&i| items[i].facts.clone()).collect();
    let decisions = decide_roles(&facts, &settings.frames);
    let odd = left_out_by_camera(&facts, &decisions);
    let out: Vec<bool> = odd.iter().map(Option::is_some).collect();
    let other_lens = left_out_by_lens(&facts, &decisions, &out);
    let mut told: Vec<String> = Vec::new();
    for (k, (&i, decision)) in readable.iter().zip(decisions).enumerate() {
        let reason = odd[k].clone().or_else(|| other_lens[k].clone());
        if let (Some(reason), Some(Role::Sky | Role::Land)) = (&reason, decision.role) {
            told.push(format!("“{}” is left out: it is {reason}.", items[i].name));
        }
        items[i].out = reason.or_else(|| decision.role.is_none().then(|| decision.reason.clone()));
        items[i].decision = decision;
    }
    // A frame that cannot be read still has the role its folder gives it.
    for item in items.iter_mut().filter(|i| i.decision.reason.is_empty()) {
        item.decision = match role_of_folder(&item.name) {
            Some((role, folder)) => RoleDecision {
                role: Some(role),
                reason: format!("lies in the folder “{folder}”"),
            },
            None => RoleDecision {
                role: None,
                reason: "it could not be read".into(),
            },
        };
    }
    told
}
