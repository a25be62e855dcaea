//! Where results go: made beside their place, brought in together, and nothing of the photographer's overwritten.
//!
//! Invariant: what stands under a result's name is overwritten or removed only if the journal says that a build left it
//! there with exactly that content.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use nightloom_outing::{Digest, RESULTS, hash_file};
use rayon::prelude::*;

use nightloom_journal::{Bench, BuildError, Journal, Output};

/// The folder inside that of the results in which a build lays them by until all are there.
const MAKING: &str = ".making";
/// The mark that says that a folder holds no frames.
const MARK: &str = ".nightloom-results";
/// Everything a build may deliver.
const NAMES: [&str; 13] = [
    "picture.tif",
    "layers.ora",
    "layers.tif",
    "layer-1-sky.tif",
    "layer-2-land.tif",
    "preview.jpg",
    "matte.tif",
    "sky.tif",
    "land.tif",
    "coverage.tif",
    "linear.fits",
    "skyline.csv",
    "report.html",
];

/// The folder to write results into, empty; beside it that of the results, marked as not holding frames.
pub(crate) fn begin(folder: &Path) -> Result<PathBuf, BuildError> {
    clear(folder);
    let results = folder.join(RESULTS);
    let making = results.join(MAKING);
    fs::create_dir_all(&making).map_err(|e| BuildError::write(&making, &e))?;
    let mark = results.join(MARK);
    if !mark.exists() {
        fs::write(&mark, "Results of Nightloom; not frames.\n").map_err(|e| BuildError::write(&mark, &e))?;
    }
    Ok(making)
}

/// Removes what a build that failed or was killed had laid by: files under names of results, whole or begun.
pub(crate) fn clear(folder: &Path) {
    let making = folder.join(RESULTS).join(MAKING);
    if !fs::symlink_metadata(&making).is_ok_and(|m| m.is_dir()) {
        return;
    }
    for entry in fs::read_dir(&making).into_iter().flatten().flatten() {
        let file = entry.file_name().to_string_lossy().into_owned();
        let begun = |name: &str| {
            let rest = file.strip_prefix('.').and_then(|f| f.strip_prefix(name));
            rest.is_some_and(|r| r.starts_with('-') && r.ends_with(".part"))
        };
        if NAMES.iter().any(|n| file == *n || begun(n)) && entry.file_type().is_ok_and(|t| t.is_file()) {
            // What stays costs space, nothing else.
            let _ = fs::remove_file(entry.path());
        }
    }
    let _ = fs::remove_dir(&making);
}

/// Brings the results in under their names: first the journal knows them, then what is in their way goes aside, then
/// they are renamed, one right after the other. Returns sentences on what was kept beside them, and the results.
///
/// A build that is killed in between leaves whole files only, and the next one makes the picture again.
pub(crate) fn bring_in(
    bench: &mut Bench<'_>,
    folder: &Path,
    names: &[String],
    key: Digest,
) -> Result<(Vec<String>, Vec<Output>), BuildError> {
    let results = folder.join(RESULTS);
    let making = results.join(MAKING);
    let laid_by = |name: &String| making.join(last(name));
    let places: Vec<String> = NAMES.iter().map(|n| format!("{RESULTS}/{n}")).collect();
    let standing: Vec<Standing> = places
        .par_iter()
        .map(|n| Standing::of(&bench.journal, folder, n))
        .collect();
    let at = |name: &String| places.iter().position(|n| n == name).map(|k| &standing[k]);
    // What was not made anew stands as it is.
    let is_new = |name: &String| laid_by(name).exists();
    let outputs: Vec<Output> = names
        .par_iter()
        .map(|name| match at(name) {
            Some(Standing::File(content)) if !is_new(name) => {
                let path = folder.join(name);
                let about = fs::metadata(&path).map_err(|e| BuildError::read(&path, &e))?;
                Ok(Output {
                    path: name.clone(),
                    hash: *content,
                    bytes: about.len(),
                })
            }
            _ => output(name, &laid_by(name)),
        })
        .collect::<Result<_, _>>()?;
    let left = |name: &str, content: Digest| bench.journal.left(name, content);
    let in_the_way = |output: &&Output| match at(&output.path) {
        None | Some(Standing::Nothing) => false,
        Some(Standing::File(content)) => *content != output.hash && !left(&output.path, *content),
        Some(Standing::Other) => true,
    };
    let aside: Vec<String> = outputs
        .iter()
        .filter(in_the_way)
        .map(|o| o.path.clone())
        .collect();
    let is_stale = |name: &&String| {
        let content = match at(name) {
            Some(Standing::File(content)) => *content,
            _ => return false,
        };
        !names.contains(name) && left(name, content)
    };
    let stale: Vec<String> = places.iter().filter(is_stale).cloned().collect();
    let now = bench.world.now();
    bench
        .journal
        .record_of("results", key, outputs.clone(), serde_json::Value::Null, now)?;
    let mut told = Vec::new();
    for name in aside {
        let kept = keep_beside(folder, &name).map_err(|e| BuildError::write(&folder.join(&name), &e))?;
        told.push(format!(
            "“{name}” was changed after it was built, or is not of a build: it is kept as “{kept}”."
        ));
    }
    for name in names.iter().filter(|n| is_new(n)) {
        let place = folder.join(name);
        fs::rename(laid_by(name), &place).map_err(|e| BuildError::write(&place, &e))?;
    }
    for name in &stale {
        // Of the build before, and no part of this one.
        let _ = fs::remove_file(folder.join(name));
    }
    clear(folder);
    told.iter().for_each(|sentence| bench.world.note(sentence));
    Ok((told, outputs))
}

fn last(name: &str) -> &str {
    name.rsplit('/').next().unwrap_or(name)
}

fn output(name: &str, path: &Path) -> Result<Output, BuildError> {
    let unreadable = |e: io::Error| BuildError::read(path, &e);
    Ok(Output {
        path: name.to_owned(),
        hash: hash_file(path).map_err(unreadable)?,
        bytes: fs::metadata(path).map_err(unreadable)?.len(),
    })
}

/// What stands where a result goes.
enum Standing {
    Nothing,
    /// A file of that content.
    File(Digest),
    /// A folder, a link, or a file that cannot be read.
    Other,
}

impl Standing {
    fn of(journal: &Journal, folder: &Path, name: &str) -> Self {
        let path = folder.join(name);
        // The folder itself may be a link, to another disk say; the file may not.
        match fs::symlink_metadata(&path) {
            Err(_) => Self::Nothing,
            Ok(about) if !about.is_file() => Self::Other,
            Ok(_) => journal.hash(&path).map_or(Self::Other, Self::File),
        }
    }
}

/// Renames a file, folder or link to the first free name of the form `picture-kept-1.tif`; the new name.
fn keep_beside(folder: &Path, name: &str) -> io::Result<String> {
    let (stem, ending) = name.rsplit_once('.').unwrap_or((name, ""));
    for n in 1.. {
        let kept = format!("{stem}-kept-{n}.{ending}");
        let to = folder.join(&kept);
        if fs::symlink_metadata(&to).is_err() {
            fs::rename(folder.join(name), to)?;
            return Ok(kept);
        }
    }
    Err(io::Error::other("no name is free"))
}
