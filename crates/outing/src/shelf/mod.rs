//! Sites and rigs kept by name, so that nothing is typed twice.
//!
//! A shelf is a folder with one small file for each, written in the words of an outing's own `[site]` and `[rig]`
//! sections. An outing takes them over by value: it stays complete when the shelf changes or is gone.

mod preferences;
mod write;

use std::path::{Path, PathBuf};

use crate::error::SettingsError;
use crate::file::{nearest, read_file};
use crate::plan::{RigSettings, SiteSettings};
use crate::skyline::SKYLINE_CSV;

pub use preferences::Preferences;
pub use write::{as_filled, rig_text, site_text};

/// What is kept.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// A place.
    Site,
    /// Camera, lens and tracker.
    Rig,
}

impl Kind {
    fn folder(self) -> &'static str {
        match self {
            Self::Site => "sites",
            Self::Rig => "rigs",
        }
    }

    /// The word for it, which is the command's too.
    pub fn word(self) -> &'static str {
        match self {
            Self::Site => "site",
            Self::Rig => "rig",
        }
    }
}

/// A folder with sites and rigs.
#[derive(Clone, Debug)]
pub struct Shelf {
    folder: PathBuf,
}

/// What the shelf cannot do.
#[derive(Debug, thiserror::Error)]
pub enum ShelfError {
    /// There is none of that name.
    #[error("there is no {kind} “{name}”; {hint}", kind = .kind.word())]
    Unknown {
        /// What was looked for.
        kind: Kind,
        /// Under which name.
        name: String,
        /// What there is instead.
        hint: String,
    },
    /// The name is taken.
    #[error("a {kind} “{name}” is kept already; choose another name, or replace it with --replace", kind = .kind.word())]
    Taken {
        /// What it is.
        kind: Kind,
        /// Its name.
        name: String,
    },
    /// No name for a file.
    #[error(
        "“{name}” is no name to keep something by; expected letters, figures, blanks, - and _, beginning with a letter or a figure, at most 60"
    )]
    Name {
        /// What was given.
        name: String,
    },
    /// What is kept is wrong.
    #[error(transparent)]
    Settings(#[from] SettingsError),
    /// A file says nothing of the kind.
    #[error("{} holds no {kind}; expected a section [{kind}] with at least {least}", path.display(), kind = .kind.word())]
    Empty {
        /// The file.
        path: PathBuf,
        /// What was expected in it.
        kind: Kind,
        /// What is needed at least.
        least: &'static str,
    },
    /// The preferences say what is none.
    #[error(
        "{} has {found}; expected height = \"m\" or \"ft\" and temperature = \"C\" or \"F\": nightloom preferences --height ft --temperature F writes it anew",
        path.display()
    )]
    Preferences {
        /// The file.
        path: PathBuf,
        /// What stands in it.
        found: String,
    },
    /// It cannot be read or written.
    #[error("{} cannot be used ({reason}); check its permissions", path.display())]
    File {
        /// The file or folder.
        path: PathBuf,
        /// What the system said.
        reason: String,
    },
}

impl Shelf {
    /// The shelf in a folder, which need not be there yet.
    pub fn at(folder: impl Into<PathBuf>) -> Self {
        Self {
            folder: folder.into(),
        }
    }

    /// The names of what is kept, in alphabetic order.
    ///
    /// # Errors
    /// A folder that is there and cannot be read.
    pub fn names(&self, kind: Kind) -> Result<Vec<String>, ShelfError> {
        let folder = self.folder.join(kind.folder());
        let entries = match std::fs::read_dir(&folder) {
            Ok(entries) => entries,
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(Vec::new()),
            Err(e) => return Err(file_error(&folder, &e)),
        };
        let mut names: Vec<String> = entries
            .filter_map(|entry| {
                let path = entry.ok()?.path();
                let toml = path.extension().is_some_and(|e| e == "toml");
                Some(path.file_stem()?.to_str()?.to_owned()).filter(|_| toml)
            })
            .collect();
        names.sort_by_key(|n| n.to_lowercase());
        Ok(names)
    }

    /// A site by its name; case does not count. Its skyline is a whole path.
    ///
    /// # Errors
    /// No such name, or a file with faults.
    pub fn site(&self, name: &str) -> Result<SiteSettings, ShelfError> {
        let path = self.find(Kind::Site, name)?;
        let mut site = read_file(&path)?.site;
        if site.place.is_none() {
            let least = "latitude_deg and longitude_deg";
            return Err(ShelfError::Empty {
                path,
                kind: Kind::Site,
                least,
            });
        }
        let beside = path.parent().unwrap_or(Path::new(""));
        site.skyline = site.skyline.map(|csv| beside.join(csv).display().to_string());
        Ok(site)
    }

    /// A rig by its name; case does not count.
    ///
    /// # Errors
    /// No such name, or a file with faults.
    pub fn rig(&self, name: &str) -> Result<RigSettings, ShelfError> {
        let path = self.find(Kind::Rig, name)?;
        let rig = read_file(&path)?.rig;
        if rig == RigSettings::default() {
            let least = "focal_mm and pixel_um";
            return Err(ShelfError::Empty {
                path,
                kind: Kind::Rig,
                least,
            });
        }
        Ok(rig)
    }

    /// Keeps a site; a skyline is copied beside it.
    ///
    /// # Errors
    /// A name that is none or taken, a folder that cannot be written to.
    pub fn keep_site(&self, name: &str, site: &SiteSettings, replace: bool) -> Result<PathBuf, ShelfError> {
        let path = self.place_for(Kind::Site, name, replace)?;
        let mut site = site.clone();
        if let Some(csv) = site.skyline.take() {
            let copy = path.with_extension("csv");
            let bytes = std::fs::read(&csv).map_err(|e| file_error(Path::new(&csv), &e))?;
            write::whole(&copy, &bytes)?;
            site.skyline = copy.file_name().and_then(|n| n.to_str()).map(str::to_owned);
        }
        write::whole(&path, site_text(&site).as_bytes())?;
        Ok(path)
    }

    /// Keeps a rig.
    ///
    /// # Errors
    /// A name that is none or taken, a folder that cannot be written to.
    pub fn keep_rig(&self, name: &str, rig: &RigSettings, replace: bool) -> Result<PathBuf, ShelfError> {
        let path = self.place_for(Kind::Rig, name, replace)?;
        write::whole(&path, rig_text(rig).as_bytes())?;
        Ok(path)
    }

    fn find(&self, kind: Kind, name: &str) -> Result<PathBuf, ShelfError> {
        let names = self.names(kind)?;
        let same = |n: &&String| n.to_lowercase() == name.trim().to_lowercase();
        if let Some(found) = names.iter().find(same) {
            return Ok(self.path(kind, found));
        }
        let word = kind.word();
        let hint = match nearest(name, names.iter().map(String::as_str)) {
            Some(near) => format!("did you mean “{near}”?"),
            None if names.is_empty() => format!("none is kept yet: nightloom {word} NAME keeps one"),
            None => format!("kept are {}", names.join(", ")),
        };
        Err(ShelfError::Unknown {
            kind,
            name: name.into(),
            hint,
        })
    }

    fn path(&self, kind: Kind, name: &str) -> PathBuf {
        self.folder.join(kind.folder()).join(format!("{name}.toml"))
    }

    fn place_for(&self, kind: Kind, name: &str, replace: bool) -> Result<PathBuf, ShelfError> {
        let name = name.trim();
        let inside = |c: char| c.is_alphanumeric() || matches!(c, ' ' | '-' | '_' | '\'' | '’');
        if !name.starts_with(char::is_alphanumeric) || !name.chars().all(inside) || name.chars().count() > 60
        {
            return Err(ShelfError::Name { name: name.into() });
        }
        // The same name in other letters is the same entry on some disks.
        let names = self.names(kind)?;
        let there = names.iter().find(|n| n.to_lowercase() == name.to_lowercase());
        match there {
            Some(_) if !replace => Err(ShelfError::Taken {
                kind,
                name: name.into(),
            }),
            Some(old) => Ok(self.path(kind, old)),
            None => Ok(self.path(kind, name)),
        }
    }
}

/// The site of an outing's folder as it can be kept: with the whole path of its skyline.
pub fn site_to_keep(folder: &Path, site: &SiteSettings) -> SiteSettings {
    let csv = folder.join(site.skyline.as_deref().unwrap_or(SKYLINE_CSV));
    SiteSettings {
        skyline: csv.is_file().then(|| csv.display().to_string()),
        ..site.clone()
    }
}

fn file_error(path: &Path, error: &std::io::Error) -> ShelfError {
    ShelfError::File {
        path: path.into(),
        reason: error.to_string(),
    }
}
