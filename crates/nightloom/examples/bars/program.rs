//! The program beside this one, and the nights that it is given.

use std::fs::{self, File};
use std::io::BufReader;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::atomic::AtomicBool;

use nightloom_outing::OUTING_TOML;
use nightloom_pipeline::BuildReport;
use nightloom_simulate::{Scenario, Truth, TruthPictures, render};

use crate::Outcome;

/// What `nightloom demo` prints.
#[derive(serde::Deserialize)]
pub(crate) struct Demo {
    pub(crate) folder: PathBuf,
    pub(crate) render_seconds: f64,
    pub(crate) build: BuildReport,
}

/// Runs `nightloom demo --json`.
pub(crate) fn demo(args: &[String]) -> Outcome<Demo> {
    let output = Command::new(program()?)
        .arg("demo")
        .args(args)
        .arg("--json")
        .stderr(Stdio::inherit())
        .output()?;
    Ok(serde_json::from_slice(&output.stdout)?)
}

/// Runs `nightloom build --json` with the frames of `left_out` not used, for a picture as the truth's: at the middle of the
/// land exposures and uncropped.
pub(crate) fn build(folder: &Path, left_out: &[&str]) -> Outcome<BuildReport> {
    let settings = folder.join(OUTING_TOML);
    leave_out(&settings, left_out)?;
    if let Ok(truth) = truth(folder) {
        as_the_truth(&settings, &truth.default_instant.to_string())?;
    }
    let output = Command::new(program()?)
        .arg("build")
        .arg(folder)
        .arg("--json")
        .stderr(Stdio::piped())
        .output()?;
    serde_json::from_slice(&output.stdout)
        .map_err(|_| String::from_utf8_lossy(&output.stderr).into_owned().into())
}

/// The demo's night again without the stars too faint to be told apart and without mishaps: only the
/// catalogue's stars, each of them in the truth, on a smooth sky. Taken as it is if `folder` holds it.
pub(crate) fn plain_night(folder: &Path, demo: &Scenario) -> Outcome<()> {
    let scenario = Scenario {
        // Synthetic stars begin at magnitude 8.
        faintest_mag: 7.0,
        mishaps: nightloom_simulate::Mishaps::none(),
        truth_pictures: TruthPictures::None,
        ..demo.clone()
    };
    if truth(folder).is_ok_and(|t| t.scenario == scenario) {
        return Ok(());
    }
    if folder.exists() {
        fs::remove_dir_all(folder)?;
    }
    fs::create_dir_all(folder)?;
    render(&scenario, folder, &|_, _, _| {}, &AtomicBool::new(false))?;
    let status = Command::new(program()?)
        .arg("new")
        .arg(folder)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .status()?;
    status
        .success()
        .then_some(())
        .ok_or("nightloom new failed".into())
}

/// A folder with the same frames and settings but without results; the frames are linked, not copied.
pub(crate) fn twin(folder: &Path, twin: &Path) -> Outcome<()> {
    if twin.exists() {
        fs::remove_dir_all(twin)?;
    }
    for role in ["sky", "land", "darks", "flats"] {
        fs::create_dir_all(twin.join(role))?;
        for entry in fs::read_dir(folder.join(role))? {
            let from = entry?.path();
            let to = twin.join(role).join(from.file_name().ok_or("no file name")?);
            if fs::hard_link(&from, &to).is_err() {
                fs::copy(&from, &to)?;
            }
        }
    }
    fs::copy(folder.join(OUTING_TOML), twin.join(OUTING_TOML))?;
    Ok(())
}

pub(crate) fn truth(folder: &Path) -> Outcome<Truth> {
    let file = File::open(folder.join("truth/truth.json"))?;
    Ok(serde_json::from_reader(BufReader::new(file))?)
}

/// The folder's name with something after it.
pub(crate) fn beside(folder: &Path, what: &str) -> PathBuf {
    let name = folder.file_name().unwrap_or_default().to_string_lossy();
    folder.with_file_name(format!("{name}-{what}"))
}

fn program() -> Outcome<PathBuf> {
    let own = std::env::current_exe()?;
    let program = own
        .parent()
        .and_then(Path::parent)
        .ok_or("no folder")?
        .join("nightloom");
    if !program.exists() {
        return Err(format!("{} is missing; run cargo build --bins first", program.display()).into());
    }
    Ok(program)
}

fn as_the_truth(settings: &Path, instant: &str) -> Outcome<()> {
    let mut document: toml_edit::DocumentMut = fs::read_to_string(settings)?.parse()?;
    document["seam"]["instant"] = toml_edit::value(instant);
    document["picture"]["crop"] = toml_edit::value("all");
    fs::write(settings, document.to_string())?;
    Ok(())
}

/// Writes into the settings which frames are not used, and that all others are as found.
fn leave_out(settings: &Path, paths: &[&str]) -> Outcome<()> {
    let mut document: toml_edit::DocumentMut = fs::read_to_string(settings)?.parse()?;
    let mut frames = toml_edit::Table::new();
    for path in paths {
        let mut entry = toml_edit::InlineTable::new();
        entry.insert("use", false.into());
        frames.insert(path, toml_edit::value(entry));
    }
    document.insert("frames", toml_edit::Item::Table(frames));
    fs::write(settings, document.to_string())?;
    Ok(())
}
