//! The workbench of one build: journal, work files, progress, warnings.

use std::collections::BTreeSet;
use std::fs;
use std::io::Write as _;
use std::path::{Path, PathBuf};

use nightloom_raster::atomic::write_checked;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};

use crate::error::BuildError;
use crate::journal::{Journal, Output, is_own_file};
use nightloom_outing::{Digest, Step, WORK, World, hash_bytes};

/// Folder of the work files inside the work folder.
const FILES: &str = "files";
/// Digits of a key in the name of a work file.
const KEY_DIGITS: usize = 24;

/// Steps taken from the journal against steps done now.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct StepCounts {
    /// Done in this run.
    pub done: usize,
    /// Found done and unchanged.
    pub kept: usize,
}

/// What every stage of a build works with.
pub struct Bench<'a> {
    /// The door to the outside.
    pub world: &'a dyn World,
    /// The record.
    pub journal: Journal,
    /// Sentences for the photographer.
    pub warnings: Vec<String>,
    /// Steps done and kept.
    pub steps: StepCounts,
    /// Work files this build rests on.
    in_use: BTreeSet<String>,
    /// Share of the whole job that lies before and within the present stage.
    span: (f64, f64),
}

impl<'a> Bench<'a> {
    /// With nothing done yet.
    pub fn new(world: &'a dyn World, journal: Journal) -> Self {
        Self {
            world,
            journal,
            warnings: Vec::new(),
            steps: StepCounts::default(),
            in_use: BTreeSet::new(),
            span: (0.0, 0.0),
        }
    }

    /// Begins a stage that takes the whole job from `from` to `to`.
    pub fn stage(&mut self, from: f64, to: f64) -> Result<(), BuildError> {
        self.span = (from, to);
        self.go_on()
    }

    /// Shows progress within the stage; stops the build if asked to.
    pub fn show(&self, stage: &str, done: f64, note: &str) -> Result<(), BuildError> {
        self.tell(stage, done, note);
        self.go_on()
    }

    /// Shows progress within the stage.
    pub fn tell(&self, stage: &str, done: f64, note: &str) {
        let (from, to) = self.span;
        let overall = Some(from + (to - from) * done);
        self.world.progress(&Step {
            stage,
            done,
            overall,
            note,
        });
    }

    /// An error if the build is to stop.
    pub fn go_on(&self) -> Result<(), BuildError> {
        if self.world.is_cancelled() {
            Err(BuildError::Cancelled)
        } else {
            Ok(())
        }
    }

    /// Keeps a sentence for the report and says it now.
    pub fn warn(&mut self, sentence: String) {
        self.world.note(&sentence);
        self.warnings.push(sentence);
    }

    /// The same of what may be found several times.
    pub fn warn_once(&mut self, sentence: &str) {
        if !self.warnings.iter().any(|w| w == sentence) {
            self.warn(sentence.to_owned());
        }
    }

    /// Name (inside the outing) and path of a step's work file.
    pub fn work_file(
        &mut self,
        step: &str,
        key: Digest,
        ending: &str,
    ) -> Result<(String, PathBuf), BuildError> {
        let short: String = key.to_string().chars().take(KEY_DIGITS).collect();
        let name = format!("{WORK}/{FILES}/{step}-{short}.{ending}");
        let path = self.journal.folder().join(&name);
        let folder = path.parent().unwrap_or(Path::new("."));
        fs::create_dir_all(folder).map_err(|e| BuildError::write(folder, &e))?;
        self.in_use.insert(name.clone());
        Ok((name, path))
    }

    /// The work files that this build rests on so far.
    pub fn in_use(&self) -> &BTreeSet<String> {
        &self.in_use
    }

    /// Rests on work files that something kept rests on.
    pub fn use_again(&mut self, names: impl IntoIterator<Item = String>) {
        self.in_use.extend(names);
    }

    /// The data of a step done before with the same key, its outputs unchanged.
    pub fn kept<T: DeserializeOwned>(&mut self, step: &str, key: Digest) -> Option<T> {
        let data = self.journal.fresh(step, key)?.data.clone();
        let kept = serde_json::from_value(data).ok()?;
        self.steps.kept += 1;
        Some(kept)
    }

    /// The same of what is too large for the journal and lies in a file of its own.
    pub fn kept_in_file<T: DeserializeOwned>(
        &mut self,
        step: &str,
        key: Digest,
    ) -> Result<Option<T>, BuildError> {
        let (name, path) = self.work_file(step, key, "json")?;
        let Some(entry) = self.journal.fresh(step, key) else {
            return Ok(None);
        };
        let expected = entry.outputs.iter().find(|o| o.path == name).map(|o| o.hash);
        let text = fs::read(&path).unwrap_or_default();
        let sound = expected == Some(hash_bytes(&text));
        let kept = sound.then(|| serde_json::from_slice(&text).ok()).flatten();
        self.steps.kept += usize::from(kept.is_some());
        Ok(kept)
    }

    /// Records a finished step whose results go into a file of their own.
    pub fn keep_in_file<T: Serialize>(
        &mut self,
        step: &str,
        key: Digest,
        data: &T,
    ) -> Result<(), BuildError> {
        let (name, path) = self.work_file(step, key, "json")?;
        let text = serde_json::to_vec(data).map_err(BuildError::internal)?;
        write_checked(&path, |file| file.write_all(&text)).map_err(|e| BuildError::write(&path, &e))?;
        let output = Output {
            path: name,
            hash: hash_bytes(&text),
            bytes: text.len() as u64,
        };
        self.done_with(step, key, vec![output], &serde_json::Value::Null)
    }

    /// Records a finished step.
    pub fn done<T: Serialize>(
        &mut self,
        step: &str,
        key: Digest,
        outputs: &[&str],
        data: &T,
    ) -> Result<(), BuildError> {
        let outputs = self.journal.outputs(outputs)?;
        self.done_with(step, key, outputs, data)
    }

    /// The same with outputs that are known already.
    pub fn done_with<T: Serialize>(
        &mut self,
        step: &str,
        key: Digest,
        outputs: Vec<Output>,
        data: &T,
    ) -> Result<(), BuildError> {
        let data = serde_json::to_value(data).map_err(BuildError::internal)?;
        let now = self.world.now();
        self.journal.record_of(step, key, outputs, data, now)?;
        self.steps.done += 1;
        Ok(())
    }

    /// Removes work files that this build did not rest on: those that the journal names, and what a killed build had
    /// begun. Nothing else, and nothing that a link leads to: that is not the outing's.
    pub fn tidy(&self) {
        let folder = self.journal.work_folder().join(FILES);
        let Ok(entries) = fs::read_dir(&folder) else {
            return;
        };
        for entry in entries.flatten() {
            let file = entry.file_name().to_string_lossy().into_owned();
            let name = format!("{WORK}/{FILES}/{file}");
            let ours = self.journal.names(&name) || is_begun(&file);
            if ours && !self.in_use.contains(&name) && is_own_file(self.journal.folder(), &name) {
                // A file that cannot be removed costs space, nothing else.
                let _ = fs::remove_file(entry.path());
            }
        }
    }

    /// Forgets what a build that is begun anew said and counted.
    pub fn begin_again(&mut self) {
        self.warnings.clear();
        self.steps.kept = 0;
        self.in_use.clear();
    }

    /// Removes damaged work files; whether there were any.
    pub fn remove_damaged(&mut self) -> bool {
        let removed = self.journal.remove_damaged(&format!("{WORK}/"));
        for name in &removed {
            self.world.note(&format!(
                "The work file {name} was not what it was written as, and is made again; if that happens often, the disk or the memory is failing."
            ));
        }
        !removed.is_empty()
    }
}

/// Whether a name is that of a file a build writes on the way and removes itself, if it is not killed: a scratch plane,
/// or a work file not yet whole (`.NAME-PROCESS-SERIAL.part`).
fn is_begun(file: &str) -> bool {
    let number = |text: &str| !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit());
    let part = || {
        let rest = file.strip_prefix('.')?.strip_suffix(".part")?;
        let (rest, serial) = rest.rsplit_once('-')?;
        let (name, process) = rest.rsplit_once('-')?;
        (number(serial) && number(process)).then_some(name)
    };
    match part() {
        Some(name) => is_work_name(name),
        None => file.starts_with("scratch-") && is_work_name(file),
    }
}

/// `STEP-KEY.ENDING`, the key in hexadecimal digits.
fn is_work_name(file: &str) -> bool {
    let key = file
        .split_once('.')
        .and_then(|(stem, _)| stem.rsplit_once('-'))
        .map(|(_, key)| key);
    key.is_some_and(|k| k.len() == KEY_DIGITS && k.bytes().all(|b| b.is_ascii_hexdigit()))
}

#[cfg(test)]
mod tests {
    use super::is_begun;

    #[test]
    fn only_what_a_build_begins_is_taken_for_begun() {
        let key = "0123456789abcdef01234567";
        for ours in [
            format!("scratch-{key}.plane"),
            format!(".frame-{key}.work-4711-3.part"),
            format!(".scratch-{key}.plane-1-0.part"),
        ] {
            assert!(is_begun(&ours), "{ours}");
        }
        for theirs in [
            format!("frame-{key}.work"),
            format!("scratch-{key}x.plane"),
            format!(".frame-{key}.work-x-3.part"),
            ".holiday.tif-1-2.part".into(),
            "film.part".into(),
            "scratch-notes.txt".into(),
            String::new(),
        ] {
            assert!(!is_begun(&theirs), "{theirs}");
        }
    }
}
