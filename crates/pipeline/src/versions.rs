//! Each finished picture kept as a version: how it was developed, a preview, and what changed since the one before.
//!
//! Invariant: at most [`MOST`] versions and [`MOST_BYTES`] of previews are kept; the oldest go first, the last one never.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use nightloom_outing::{Digest, PictureSettings, WORK};
use nightloom_raster::atomic::write_whole;
use nightloom_sky::Instant;
use serde::{Deserialize, Serialize};

use crate::report::BuildReport;
use nightloom_develop::{recipe, recipe_settings};

/// Their folder inside the work folder.
const FOLDER: &str = "versions";
/// Versions kept.
const MOST: usize = 40;
/// Bytes of all their previews.
const MOST_BYTES: u64 = 64 << 20;
const ABOUT: &str = "about.json";
const RECIPE: &str = "recipe.toml";
const PREVIEW: &str = "preview.jpg";
/// A preview or a text of a version is never larger.
const MOST_FILE: u64 = 32 << 20;

/// One version.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Version {
    /// Counted from 1 in the order of building.
    pub number: u32,
    /// The picture it is of.
    pub picture: Digest,
    /// When it was finished.
    pub at: Instant,
    /// Seconds it took.
    pub seconds: f64,
    /// Width and height of the picture, pixels.
    pub size_px: [usize; 2],
    /// Sky frames it is made of.
    pub sky_frames: usize,
    /// Options of `[picture]` that the version before had otherwise: name, before, now.
    pub changed: Vec<[String; 3]>,
}

fn folder_of(outing: &Path) -> PathBuf {
    outing.join(WORK).join(FOLDER)
}

fn place(outing: &Path, number: u32) -> PathBuf {
    folder_of(outing).join(format!("{number:05}"))
}

/// The versions that are kept, oldest first.
pub fn versions(outing: &Path) -> Vec<Version> {
    let entries = fs::read_dir(folder_of(outing)).into_iter().flatten().flatten();
    let mut all: Vec<Version> = entries.filter_map(|e| about(&e.path())).collect();
    all.sort_by_key(|v| v.number);
    all
}

fn about(place: &Path) -> Option<Version> {
    let bytes = nightloom_raster::read_regular(&place.join(ABOUT), MOST_FILE).ok()?;
    let version: Version = serde_json::from_slice(&bytes).ok()?;
    // A folder of another name is none of ours.
    (place.file_name()?.to_str()? == format!("{:05}", version.number)).then_some(version)
}

/// How a version was developed, as text.
pub fn version_recipe(outing: &Path, number: u32) -> Option<String> {
    let bytes = nightloom_raster::read_regular(&place(outing, number).join(RECIPE), MOST_FILE).ok()?;
    String::from_utf8(bytes).ok()
}

/// Where a version's preview is, a JPEG.
pub fn version_preview(outing: &Path, number: u32) -> Option<PathBuf> {
    let path = place(outing, number).join(PREVIEW);
    path.is_file().then_some(path)
}

/// How the last built picture was developed.
pub fn built_recipe(outing: &Path) -> Option<String> {
    let last = versions(outing).pop()?;
    version_recipe(outing, last.number)
}

/// Keeps a picture that was just built; `preview` is the file of its preview.
pub(crate) fn keep(
    outing: &Path,
    settings: &PictureSettings,
    report: &BuildReport,
    (picture, at, seconds): (Digest, Instant, f64),
) -> io::Result<()> {
    let all = versions(outing);
    let last = all.last();
    // Made again because its files were lost.
    if last.is_some_and(|v| v.picture == picture) {
        return Ok(());
    }
    let number = last.map_or(1, |v| v.number + 1);
    let text = recipe(settings);
    let before = last.and_then(|v| version_recipe(outing, v.number));
    let version = Version {
        number,
        picture,
        at,
        seconds,
        size_px: report.picture_px(),
        sky_frames: report.sky.as_ref().map_or(0, |s| s.frames_used),
        changed: before.map_or_else(Vec::new, |before| differences(&before, &text)),
    };
    let place = place(outing, number);
    fs::create_dir_all(&place)?;
    write_text(&place.join(RECIPE), text.as_bytes())?;
    if let Some(preview) = &report.outputs.preview {
        fs::copy(preview, place.join(PREVIEW))?;
    }
    // Last, because it makes the version one.
    write_text(&place.join(ABOUT), &serde_json::to_vec_pretty(&version)?)?;
    bound(
        outing,
        all.into_iter().chain([version]).map(|v| v.number).collect(),
    );
    Ok(())
}

fn write_text(path: &Path, bytes: &[u8]) -> io::Result<()> {
    write_whole(path, |out| io::Write::write_all(out, bytes))
}

/// Options that two recipes tell otherwise; what cannot be read differs in nothing.
fn differences(before: &str, now: &str) -> Vec<[String; 3]> {
    let told = |text: &str| {
        recipe_settings(text)
            .ok()
            .and_then(|settings| serde_json::to_value(settings).ok())
            .unwrap_or_default()
    };
    let (before, now) = (told(before), told(now));
    let said = |value: &serde_json::Value| match value {
        serde_json::Value::String(word) => word.clone(),
        other => other.to_string(),
    };
    let all = now.as_object().into_iter().flatten();
    all.filter(|(key, value)| before.get(key.as_str()).is_some_and(|b| b != *value))
        .map(|(key, value)| [key.clone(), said(&before[key.as_str()]), said(value)])
        .collect()
}

/// Removes the oldest until there is room again.
fn bound(outing: &Path, numbers: Vec<u32>) {
    let bytes = |n: u32| {
        let files = [ABOUT, RECIPE, PREVIEW].map(|name| fs::metadata(place(outing, n).join(name)));
        files.into_iter().flatten().map(|m| m.len()).sum::<u64>()
    };
    let mut sum: u64 = numbers.iter().map(|n| bytes(*n)).sum();
    let mut left = numbers.len();
    for number in numbers {
        if left <= 1 || (left <= MOST && sum <= MOST_BYTES) {
            return;
        }
        sum -= bytes(number);
        left -= 1;
        for name in [ABOUT, RECIPE, PREVIEW] {
            // What cannot be removed costs space, nothing else.
            let _ = fs::remove_file(place(outing, number).join(name));
        }
        let _ = fs::remove_dir(place(outing, number));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_changed_is_told_with_both_values() {
        let before = recipe(&PictureSettings::default());
        let now = recipe(&PictureSettings {
            stretch: 0.75,
            look: nightloom_outing::Look::Deep,
            ..PictureSettings::default()
        });
        let told = differences(&before, &now);
        let wanted = [["look", "natural", "deep"], ["stretch", "0.5", "0.75"]];
        assert_eq!(told, wanted.map(|w| w.map(str::to_owned)));
        assert!(differences(&now, &now).is_empty());
    }
}
