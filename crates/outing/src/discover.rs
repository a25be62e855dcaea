//! Finds the frames of an outing.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

use crate::error::FolderError;

/// The folder inside the outing that results go into.
pub const RESULTS: &str = "picture";
/// The folder inside the outing that holds the journal and the work files.
pub const WORK: &str = ".nightloom";
/// The name of the settings file.
pub const OUTING_TOML: &str = "outing.toml";
/// A file whose presence says that a folder holds results or truth, not frames.
pub(crate) const MARKERS: [&str; 2] = ["truth.json", ".nightloom-results"];
/// Folders deeper than this are not looked into.
const DEEPEST: usize = 12;

/// One file that may be a frame.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Found {
    /// Path inside the outing with `/` between the parts: the frame's name in settings and reports.
    pub name: String,
    /// Where the file is.
    pub path: PathBuf,
}

/// What a search found.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Discovery {
    /// Frames, in name order.
    pub frames: Vec<Found>,
    /// Files left out although they look like frames, each with the reason.
    pub left_out: Vec<(Found, String)>,
    /// Sentences about folders that could not be looked into.
    pub notes: Vec<String>,
}

/// Finds the frames under `folder`, at any depth, in the order of their names.
///
/// Hidden files and folders, the outing's own results ([`RESULTS`]) and folders that
/// carry a simulation's `truth.json` are not looked into. Links to folders are not followed. A
/// JPEG, PNG or TIFF that lies beside a raw file of the same name is the camera's own picture
/// of the same exposure and is left out.
///
/// # Errors
/// If the folder is missing, is no folder, or may not be read.
pub fn discover(folder: &Path) -> Result<Discovery, FolderError> {
    let about = fs::metadata(folder).map_err(|e| FolderError::missing(folder, &e))?;
    if !about.is_dir() {
        return Err(FolderError::NotAFolder { path: folder.into() });
    }
    fs::read_dir(folder).map_err(|e| FolderError::unreadable(folder, &e))?;
    let mut found = Discovery::default();
    walk(folder, "", 0, &mut found);
    found.frames.sort();
    leave_out_companions(&mut found);
    Ok(found)
}

fn walk(folder: &Path, prefix: &str, depth: usize, found: &mut Discovery) {
    let entries = match fs::read_dir(folder) {
        Ok(entries) => entries,
        Err(e) => {
            found.notes.push(format!(
                "The folder “{prefix}” could not be looked into ({e}); its frames are missing."
            ));
            return;
        }
    };
    for entry in entries.flatten() {
        let file_name = entry.file_name();
        let Some(part) = file_name.to_str() else {
            found.notes.push(format!(
                "“{}” in “{prefix}” has a name that is not valid Unicode and was left out; rename it to use it.",
                file_name.to_string_lossy()
            ));
            continue;
        };
        if part.starts_with('.') {
            continue;
        }
        let name = if prefix.is_empty() {
            part.to_owned()
        } else {
            format!("{prefix}/{part}")
        };
        let Ok(kind) = entry.file_type() else { continue };
        if kind.is_dir() && name == RESULTS {
            note_raws_among_results(&entry.path(), found);
        } else if kind.is_dir() {
            enter(&entry.path(), &name, depth, found);
        } else if nightloom_raster::is_frame_path(&entry.path()) && is_file(&entry.path()) {
            found.frames.push(Found {
                name,
                path: entry.path(),
            });
        }
    }
}

fn enter(folder: &Path, name: &str, depth: usize, found: &mut Discovery) {
    if MARKERS.iter().any(|m| folder.join(m).exists()) {
        return;
    }
    if depth >= DEEPEST {
        found.notes.push(format!(
            "The folder “{name}” lies more than {DEEPEST} folders deep and was not looked into."
        ));
        return;
    }
    walk(folder, name, depth + 1, found);
}

/// Results are pictures, never raw files: one there was put there by hand.
fn note_raws_among_results(folder: &Path, found: &mut Discovery) {
    let entries = fs::read_dir(folder).into_iter().flatten().flatten();
    let raw = |path: &Path| {
        let name = path.to_string_lossy();
        nightloom_raster::is_frame_path(path) && !is_rendered(&name) && !name.ends_with(".fits")
    };
    if entries.map(|e| e.path()).any(|p| raw(&p)) {
        found.notes.push(format!(
            "Raw files lie in “{RESULTS}”, the folder for results, which is not looked into; move them elsewhere to use them."
        ));
    }
}

/// A link to a file counts as the file.
fn is_file(path: &Path) -> bool {
    fs::metadata(path).is_ok_and(|m| m.is_file())
}

fn leave_out_companions(found: &mut Discovery) {
    let raws: BTreeSet<String> = found
        .frames
        .iter()
        .filter(|f| !is_rendered(&f.name))
        .map(|f| stem(&f.name))
        .collect();
    let (keep, leave): (Vec<_>, Vec<_>) = std::mem::take(&mut found.frames)
        .into_iter()
        .partition(|f| !is_rendered(&f.name) || !raws.contains(&stem(&f.name)));
    found.frames = keep;
    found.left_out = leave
        .into_iter()
        .map(|f| {
            (
                f,
                "the raw file of the same exposure lies beside it and is used instead".to_owned(),
            )
        })
        .collect();
}

fn extension(name: &str) -> String {
    Path::new(name)
        .extension()
        .and_then(|e| e.to_str())
        .unwrap_or_default()
        .to_ascii_lowercase()
}

fn is_rendered(name: &str) -> bool {
    matches!(extension(name).as_str(), "jpg" | "jpeg" | "png" | "tif" | "tiff")
}

fn stem(name: &str) -> String {
    match name.rfind('.') {
        Some(dot) if !name[dot..].contains('/') => name[..dot].to_ascii_lowercase(),
        _ => name.to_ascii_lowercase(),
    }
}
