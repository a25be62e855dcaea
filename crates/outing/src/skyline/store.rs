//! `skyline.csv` beside the outing.

use std::fs;
use std::io::{ErrorKind, Write};
use std::path::{Path, PathBuf};

use nightloom_raster::atomic::write_whole;
use nightloom_raster::read_regular;
use nightloom_sky::Skyline;
use nightloom_sky::skyline::{North, read_csv, write_csv};

use super::error::SkylineFileError;
use crate::plan::SiteSettings;
use crate::turn::turn_to_write;

/// The skyline that lies in an outing's folder. Its azimuths always count from true north.
pub const SKYLINE_CSV: &str = "skyline.csv";
/// The first line of a skyline that can be computed again.
const COMPUTED: &str = "Skyline computed by Nightloom from elevation tiles.";
/// No skyline is larger, bytes.
const MOST_BYTES: u64 = 1 << 24;

/// How a skyline is stored.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct StoreOptions {
    /// What it rests on, lines without `#`.
    pub about: Vec<String>,
    /// Whether it was computed from tiles and may be replaced without asking.
    pub computed: bool,
    /// Replace a file that may be the photographer's own; that one is kept as a copy.
    pub force: bool,
}

/// Stores a skyline. Returns where the old file is kept, if one was replaced that was not computed.
///
/// # Errors
/// A file that may be the photographer's own is there already; nothing can be written.
pub fn store_skyline(
    path: &Path,
    skyline: &Skyline,
    options: &StoreOptions,
) -> Result<Option<PathBuf>, SkylineFileError> {
    let unwritable = |e: std::io::Error| SkylineFileError::Unwritable {
        path: path.into(),
        reason: e.to_string(),
    };
    // A page, or another command, may be at it too.
    let _turn = turn_to_write(path.parent().unwrap_or(Path::new(""))).map_err(unwritable)?;
    let mut kept = None;
    if is_own(path) {
        if !options.force {
            return Err(SkylineFileError::Exists { path: path.into() });
        }
        let copy = free_copy(path);
        fs::copy(path, &copy).map_err(unwritable)?;
        kept = Some(copy);
    }
    let computed = options.computed.then(|| COMPUTED.to_owned());
    let about: Vec<String> = computed
        .into_iter()
        .chain(options.about.iter().cloned())
        .collect();
    let text = write_csv(skyline, &about);
    write_whole(path, |out| out.write_all(text.as_bytes())).map_err(unwritable)?;
    Ok(kept)
}

/// Whether a file is there that was not computed.
fn is_own(path: &Path) -> bool {
    match read_regular(path, MOST_BYTES) {
        Ok(bytes) => !bytes.starts_with(format!("# {COMPUTED}").as_bytes()),
        Err(e) => e.kind() != ErrorKind::NotFound,
    }
}

/// A name beside the file that nothing has yet.
fn free_copy(path: &Path) -> PathBuf {
    let named = |n: usize| {
        let mut name = path.file_name().unwrap_or_default().to_owned();
        name.push(if n == 1 {
            ".old".to_owned()
        } else {
            format!(".old-{n}")
        });
        path.with_file_name(name)
    };
    (1..).map(named).find(|p| !p.exists()).unwrap_or_else(|| named(1))
}

/// Reads a measured skyline.
///
/// # Errors
/// A file that cannot be read, and everything that is wrong in it.
pub fn measured_skyline(path: &Path, north: North) -> Result<Skyline, SkylineFileError> {
    let unreadable = |reason: String| SkylineFileError::Unreadable {
        path: path.into(),
        reason,
    };
    let size = fs::metadata(path).map_err(|e| unreadable(e.to_string()))?.len();
    if size > MOST_BYTES {
        return Err(unreadable(format!(
            "it has {} MiB, too many for a skyline",
            size >> 20
        )));
    }
    let bytes = read_regular(path, MOST_BYTES).map_err(|e| unreadable(e.to_string()))?;
    let text = String::from_utf8_lossy(&bytes);
    read_csv(&text, north).map_err(|error| SkylineFileError::Csv {
        path: path.into(),
        error,
    })
}

/// The skyline of an outing: the file that `site.skyline` names, else [`SKYLINE_CSV`] in its folder, else `None`.
///
/// # Errors
/// A file that is named and not there, or is there and cannot be read or has faults.
pub fn outing_skyline(folder: &Path, site: &SiteSettings) -> Result<Option<Skyline>, SkylineFileError> {
    let path = match &site.skyline {
        Some(name) => folder.join(name),
        None => folder.join(SKYLINE_CSV),
    };
    if site.skyline.is_none() && !path.exists() {
        return Ok(None);
    }
    measured_skyline(&path, North::True)
        .map(Some)
        .map_err(|error| match error {
            // Whoever reads the message may not be allowed to read the file.
            SkylineFileError::Csv { path, error } if !is_inside(folder, &path) => {
                let first = error.faults.first().map_or(0, |f| f.line);
                let reason = format!(
                    "it has {} lines or more that are no azimuth and altitude, the first is line {first}",
                    error.faults.len()
                );
                SkylineFileError::Unreadable { path, reason }
            }
            other => other,
        })
}

/// Whether a file lies in a folder, wherever links lead.
fn is_inside(folder: &Path, path: &Path) -> bool {
    let whole = |p: &Path| fs::canonicalize(p).ok();
    whole(folder).is_some_and(|folder| whole(path).is_some_and(|path| path.starts_with(folder)))
}
