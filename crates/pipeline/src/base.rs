//! Everything before the development, kept: another tone costs the development and the files, and nothing else.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

use nightloom_outing::{Digest, RESULTS, Settings};
use serde::{Deserialize, Serialize};

use super::deliver;
use super::finish;
use super::inventory::Item;
use super::report::{BuildReport, Outputs};
use super::verdicts::{Shows, write_page};
use nightloom_journal::{Bench, BuildError, Output, StepCounts};

/// The journal's name of the step.
const STEP: &str = "base";
/// Results that no development changes but by the turn to be level.
const LASTING: [&str; 4] = ["linear.fits", "coverage.tif", "matte.tif", "skyline.csv"];

/// What a build told before it developed its layers. The layers lie beside it under the same key, which names every frame's
/// content and role, the hints, the skyline, and all settings but those of the development.
#[derive(Serialize, Deserialize)]
pub(super) struct Base {
    report: BuildReport,
    shows: Shows,
    /// What was said on the way from the frames to the layers.
    warnings: Vec<String>,
    /// Results that stand as they are,
    lasting: Vec<Output>,
    /// turned by so much.
    #[serde(default)]
    level_deg: f64,
    /// Work files that all of it rests on.
    in_use: BTreeSet<String>,
}

impl Base {
    /// Keeps what a build has told; `said` sentences were said before it came to the frames' pixels.
    pub(super) fn keep(
        bench: &mut Bench<'_>,
        key: Digest,
        (report, shows): (&BuildReport, Shows),
        said: usize,
        (outputs, level_deg): (&[Output], f64),
    ) -> Result<(), BuildError> {
        let lasts = |o: &&Output| LASTING.iter().any(|n| o.path == format!("{RESULTS}/{n}"));
        // Its own file too.
        bench.work_file(STEP, key, "json")?;
        let base = Self {
            report: report.clone(),
            shows,
            warnings: bench.warnings.get(said..).unwrap_or_default().to_vec(),
            lasting: outputs.iter().filter(lasts).cloned().collect(),
            level_deg,
            in_use: bench.in_use().clone(),
        };
        bench.keep_in_file(STEP, key, &base)
    }

    /// What was kept under a key, with the layers, if all of it and the results that last still stand.
    pub(super) fn kept(
        bench: &mut Bench<'_>,
        folder: &Path,
        key: Digest,
        level_deg: f64,
    ) -> Result<Option<(Self, nightloom_develop::Kept)>, BuildError> {
        let Some(base) = bench.kept_in_file::<Self>(STEP, key)? else {
            return Ok(None);
        };
        let Some(layers) = bench.kept::<nightloom_develop::Kept>(nightloom_develop::STEP, key) else {
            return Ok(None);
        };
        let stands = |o: &Output| {
            let path = folder.join(&o.path);
            let plain = fs::symlink_metadata(&path).is_ok_and(|m| m.is_file());
            plain && bench.journal.hash(&path).is_ok_and(|h| h == o.hash)
        };
        let all = base.level_deg == level_deg && base.lasting.iter().all(stands);
        Ok(all.then_some((base, layers)))
    }

    /// Develops the layers anew and writes what shows them.
    pub(super) fn developed(
        self,
        bench: &mut Bench<'_>,
        settings: &Settings,
        items: &[Item],
        layers: &nightloom_develop::Kept,
        results: &Path,
    ) -> Result<BuildReport, BuildError> {
        bench.use_again(self.in_use);
        self.warnings.into_iter().for_each(|w| bench.warn(w));
        bench.stage(0.05, 0.5)?;
        let finished = finish::again(bench, &settings.picture, layers)?;
        bench.stage(0.5, 0.97)?;
        let has_land = self.report.outputs.land.is_some();
        let (outputs, picture) = deliver::pictures(
            bench,
            results,
            &finished,
            has_land,
            (&layers.capture, &settings.files),
        )?;
        let before = self.report.outputs;
        let report = BuildReport {
            light: Some(finished.light),
            site_shared: settings.files.share_site,
            outputs: Outputs {
                linear: before.linear,
                coverage: before.coverage,
                matte: before.matte,
                skyline: before.skyline,
                report: Some(results.join("report.html")),
                ..outputs
            },
            warnings: bench.warnings.clone(),
            steps: StepCounts::default(),
            ..self.report
        };
        let mut shows = self.shows;
        shows.picture = picture;
        write_page(bench, settings, items, &report, shows)?;
        Ok(report)
    }
}
