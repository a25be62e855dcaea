//! Which frames there are, what each says of itself, and what it is for.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use nightloom_raster::{DecodeError, DecodeOptions, Frame};
use nightloom_stars::DetectSettings;
use rayon::prelude::*;

use super::ahead::{beside, each_beside};
use crate::roles::{
    FrameContent, FrameFacts, RoleDecision, decide_roles, left_out_by_camera, left_out_by_lens,
    role_of_folder,
};
use nightloom_journal::{Bench, BuildError, HashCache, JournalError, StepKey};
use nightloom_outing::{Digest, Found, Role, Settings, World, discover};

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
    /// How its picture is turned (EXIF 1 to 8) instead of as the file says.
    pub(super) turned: Option<u8>,
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
        orientation: item.turned,
        ..decode_options(settings)
    }
}

/// Finds the frames and decides their roles.
pub(super) fn inventory(bench: &mut Bench<'_>, settings: &Settings) -> Result<Vec<Item>, BuildError> {
    let found = discover(bench.journal.folder())?;
    for note in found.notes {
        bench.warn(note);
    }
    let mut items = looked_at(bench, settings, found.frames)?;
    leave_out_copies(&mut items);
    leave_out_companions(&mut items);
    for sentence in decide(&mut items, settings) {
        bench.warn(sentence);
    }
    for sentence in turn_alike(&mut items) {
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
        turned: None,
    }
}

/// Frames of one role and camera are turned alike, as most of them say: what a camera that looks up into the sky takes for
/// its upper side changes from frame to frame by chance. Calibration frames lie as the sensor does.
fn turn_alike(items: &mut [Item]) -> Vec<String> {
    let told = |item: &Item| item.facts.meta.orientation.filter(|_| item.out.is_none());
    let mut sentences = Vec::new();
    for role in [Role::Sky, Role::Land] {
        let of_role: Vec<(usize, u8)> = items
            .iter()
            .enumerate()
            .filter(|(_, item)| item.decision.role == Some(role))
            .filter_map(|(i, item)| Some((i, told(item)?)))
            .collect();
        let count = |o: u8| of_role.iter().filter(|(_, own)| *own == o).count();
        let Some(most) = (1..=8).rev().max_by_key(|o| count(*o)) else {
            continue;
        };
        let others: Vec<&(usize, u8)> = of_role.iter().filter(|(_, own)| *own != most).collect();
        for &(i, _) in &of_role {
            items[i].turned = Some(most);
        }
        if let [first, rest @ ..] = others.as_slice() {
            let first = &items[first.0].name;
            let names = match rest.len() {
                0 => format!("“{first}” says"),
                n => format!("“{first}” and {n} more say"),
            };
            sentences.push(format!(
                "Of the {role} frames {names} another side to be up than the others; all are taken as most of them say, and the stars decide."
            ));
        }
    }
    for item in items.iter_mut() {
        if matches!(item.decision.role, Some(Role::Dark | Role::Flat | Role::Bias)) && told(item).is_some() {
            item.turned = Some(1);
        }
    }
    sentences
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

/// The camera's own JPEG of a raw frame that lies elsewhere (on the other card): the same file name, and taken at the same time.
fn leave_out_companions(items: &mut [Item]) {
    let parts = |item: &Item| {
        let (stem, ending) = Path::new(&item.name).file_name()?.to_str()?.rsplit_once('.')?;
        let taken = item.facts.meta.taken_local.clone()?;
        let jpeg = ["jpg", "jpeg"].contains(&ending.to_ascii_lowercase().as_str());
        Some(((stem.to_ascii_lowercase(), taken), jpeg))
    };
    let mut raws = BTreeMap::new();
    for item in items.iter().filter(|i| i.out.is_none()) {
        if let Some((key, false)) = parts(item) {
            raws.insert(key, item.name.clone());
        }
    }
    for item in items.iter_mut().filter(|i| i.out.is_none()) {
        if let Some((key, true)) = parts(item)
            && let Some(raw) = raws.get(&key)
        {
            item.out = Some(format!(
                "it is the camera's own picture of “{raw}”, which is used instead"
            ));
        }
    }
}

/// One frame on the way to its item.
struct Look {
    item: Item,
    /// Whether its role is told, so that its pixels need not be looked at.
    told: bool,
    options: DecodeOptions,
    /// Of what it says, where that has to be read.
    open: Option<Digest>,
}

/// Reads each frame's EXIF and, unless its folder or the settings tell its role, its content; many beside each other.
fn looked_at(
    bench: &mut Bench<'_>,
    settings: &Settings,
    frames: Vec<Found>,
) -> Result<Vec<Item>, BuildError> {
    let stage = "Reading what the frames say";
    bench.show(stage, 0.0, "")?;
    let hashes: Vec<_> = frames.par_iter().map(|f| bench.journal.hash(&f.path)).collect();
    let mut looks: Vec<Look> = frames
        .into_iter()
        .zip(hashes)
        .map(|(frame, hash)| look(bench, settings, frame, hash))
        .collect();
    let open = |told: bool| -> Vec<usize> {
        let own = |k: &usize| looks[*k].told == told && looks[*k].open.is_some();
        (0..looks.len()).filter(own).collect()
    };
    let (by_name, by_content) = (open(true), open(false));
    let (world, cache) = (bench.world, bench.journal.hashes());
    let paths: Vec<PathBuf> = looks.iter().map(|l| l.item.path.clone()).collect();
    let threads = rayon::current_num_threads();
    let says = |k: usize| says(world, &cache, &paths[by_name[k]]);
    let total = (by_name.len() + by_content.len()).max(1);
    let mut done = 0;
    let mut keep = |bench: &mut Bench<'_>, look: &mut Look, facts: Result<FrameFacts, DecodeError>| {
        done += 1;
        bench.show(stage, done as f64 / total as f64, &look.item.name)?;
        look.take(bench, facts)
    };
    beside(world, threads.max(2), by_name.len(), says, |k, facts| {
        keep(bench, &mut looks[by_name[k]], facts)
    })?;
    let content: Vec<&Path> = by_content.iter().map(|&k| paths[k].as_path()).collect();
    let options: Vec<DecodeOptions> = by_content.iter().map(|&k| looks[k].options).collect();
    let shows = |_: usize, frame: Result<Frame, DecodeError>| frame.map(shows);
    each_beside(world, &cache, &content, &options, shows, |k, facts| {
        keep(bench, &mut looks[by_content[k]], facts)
    })?;
    Ok(looks.into_iter().map(|l| l.item).collect())
}

/// What is known of a frame without opening it, or from before.
fn look(
    bench: &mut Bench<'_>,
    settings: &Settings,
    Found { name, path }: Found,
    hash: Result<Digest, JournalError>,
) -> Look {
    let said = settings.frames.get(&name);
    let told = said.is_some_and(|f| f.role.is_some()) || role_of_folder(&name).is_some();
    let insisted = said.and_then(|f| f.used) == Some(true);
    let left = said.and_then(|f| f.used) == Some(false);
    let options = DecodeOptions {
        damaged_too: insisted,
        ..decode_options(settings)
    };
    let hash = match hash {
        Ok(hash) => hash,
        Err(error) => {
            let item = Item {
                passing: true,
                ..left_out(name, path, error.to_string())
            };
            return Look {
                item,
                told,
                options,
                open: None,
            };
        }
    };
    let key = StepKey::new("facts", 5)
        .input(&name, hash)
        .settings(&(told, options))
        .finish();
    let kept = bench.kept::<FrameFacts>("facts", key);
    let open = kept.is_none().then_some(key);
    let facts = kept.unwrap_or_else(|| FrameFacts {
        name: name.clone(),
        ..FrameFacts::default()
    });
    let item = Item {
        name,
        path,
        hash: Some(hash),
        facts,
        decision: RoleDecision {
            role: None,
            reason: String::new(),
        },
        out: left.then(|| LEFT.into()),
        passing: false,
        insisted,
        turned: None,
    };
    Look {
        item,
        told,
        options,
        open,
    }
}

/// Why a frame that the settings leave out is.
const LEFT: &str = "left out by outing.toml";

impl Look {
    /// Takes what was read.
    fn take(
        &mut self,
        bench: &mut Bench<'_>,
        facts: Result<FrameFacts, DecodeError>,
    ) -> Result<(), BuildError> {
        let item = &mut self.item;
        match (facts, self.open) {
            (Ok(facts), Some(key)) => {
                item.facts = FrameFacts {
                    name: item.name.clone(),
                    ..facts
                };
                bench.done("facts", key, &[], &item.facts)?;
            }
            (Ok(_), None) => {}
            (Err(error), _) => {
                bench.go_on()?;
                if item.out.is_none() {
                    item.fail(&error);
                }
            }
        }
        Ok(())
    }
}

/// What a file says of itself.
fn says(world: &dyn World, hashes: &HashCache, path: &Path) -> Result<FrameFacts, DecodeError> {
    let meta = world.meta(path)?;
    if !hashes.unchanged(path) {
        return Err(DecodeError::changed(path));
    }
    Ok(FrameFacts {
        meta,
        ..FrameFacts::default()
    })
}

/// What a frame says and shows.
fn shows(frame: Frame) -> FrameFacts {
    let (width, height) = frame.pixels.size();
    let image = frame.pixels.brightness();
    let field = nightloom_stars::measure(&image, &DetectSettings::default());
    FrameFacts {
        size_px: Some([width, height]),
        content: Some(FrameContent::of(&frame.pixels, &field).with_drift(&image, &field)),
        meta: frame.meta,
        ..FrameFacts::default()
    }
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
