//! The workbench of one build: journal, work files, progress, warnings.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

use serde::Serialize;
use serde::de::DeserializeOwned;

use super::error::BuildError;
use super::report::StepCounts;
use crate::journal::Journal;
use nightloom_outing::Digest;
use nightloom_outing::WORK;
use nightloom_outing::{Step, World};

/// Folder of the work files inside the work folder.
const FILES: &str = "files";

/// What every stage of a build works with.
pub(super) struct Bench<'a> {
    /// The door to the outside.
    pub(super) world: &'a dyn World,
    /// The record.
    pub(super) journal: Journal,
    /// Sentences for the photographer.
    pub(super) warnings: Vec<String>,
    /// Steps done and kept.
    pub(super) steps: StepCounts,
    /// Work files this build rests on.
    in_use: BTreeSet<String>,
    /// Share of the whole job that lies before and within the present stage.
    span: (f64, f64),
}

impl<'a> Bench<'a> {
    pub(super) fn new(world: &'a dyn World, journal: Journal) -> Self {
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
    pub(super) fn stage(&mut self, from: f64, to: f64) -> Result<(), BuildError> {
        self.span = (from, to);
        self.go_on()
    }

    /// Shows progress within the stage; stops the build if asked to.
    pub(super) fn show(&self, stage: &str, done: f64, note: &str) -> Result<(), BuildError> {
        self.tell(stage, done, note);
        self.go_on()
    }

    /// Shows progress within the stage.
    pub(super) fn tell(&self, stage: &str, done: f64, note: &str) {
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
    pub(super) fn go_on(&self) -> Result<(), BuildError> {
        if self.world.is_cancelled() {
            Err(BuildError::Cancelled)
        } else {
            Ok(())
        }
    }

    /// Keeps a sentence for the report and says it now.
    pub(super) fn warn(&mut self, sentence: String) {
        self.world.note(&sentence);
        self.warnings.push(sentence);
    }

    /// The same of what may be found several times.
    pub(super) fn warn_once(&mut self, sentence: &str) {
        if !self.warnings.iter().any(|w| w == sentence) {
            self.warn(sentence.to_owned());
        }
    }

    /// Name (inside the outing) and path of a step's work file.
    pub(super) fn work_file(
        &mut self,
        step: &str,
        key: Digest,
        ending: &str,
    ) -> Result<(String, PathBuf), BuildError> {
        let short: String = key.to_string().chars().take(24).collect();
        let name = format!("{WORK}/{FILES}/{step}-{short}.{ending}");
        let path = self.journal.folder().join(&name);
        let folder = path.parent().unwrap_or(Path::new("."));
        fs::create_dir_all(folder).map_err(|e| BuildError::write(folder, &e))?;
        self.in_use.insert(name.clone());
        Ok((name, path))
    }

    /// The data of a step done before with the same key, its outputs unchanged.
    pub(super) fn kept<T: DeserializeOwned>(&mut self, step: &str, key: Digest) -> Option<T> {
        let data = self.journal.fresh(step, key)?.data.clone();
        let kept = serde_json::from_value(data).ok()?;
        self.steps.kept += 1;
        Some(kept)
    }

    /// Records a finished step.
    pub(super) fn done<T: Serialize>(
        &mut self,
        step: &str,
        key: Digest,
        outputs: &[&str],
        data: &T,
    ) -> Result<(), BuildError> {
        let data = serde_json::to_value(data).map_err(BuildError::internal)?;
        let now = self.world.now();
        self.journal.record(step, key, outputs, data, now)?;
        self.steps.done += 1;
        Ok(())
    }

    /// Removes work files that this build did not rest on.
    pub(super) fn tidy(&self) {
        let folder = self.journal.work_folder().join(FILES);
        let Ok(entries) = fs::read_dir(&folder) else {
            return;
        };
        for entry in entries.flatten() {
            let name = format!("{WORK}/{FILES}/{}", entry.file_name().to_string_lossy());
            if !self.in_use.contains(&name) {
                // A file that cannot be removed costs space, nothing else.
                let _ = fs::remove_file(entry.path());
            }
        }
    }
}
