//! What can go wrong before any pixel is touched.

use std::io;
use std::path::{Path, PathBuf};

/// A folder that cannot serve as an outing.
#[derive(Debug, thiserror::Error)]
pub enum FolderError {
    /// It does not exist.
    #[error("the folder {} does not exist; check its name, or copy the frames there first", path.display())]
    Missing {
        /// The folder.
        path: PathBuf,
    },
    /// It is a file.
    #[error("{} is a file, but a folder with the night's frames was expected; name the folder it lies in", path.display())]
    NotAFolder {
        /// The file.
        path: PathBuf,
    },
    /// It may not be read.
    #[error("the folder {} cannot be read ({reason}); give yourself permission to read it", path.display())]
    Unreadable {
        /// The folder.
        path: PathBuf,
        /// What the system said.
        reason: String,
    },
    /// Nothing may be written into it.
    #[error("nothing can be written to {} ({reason}); give yourself permission, free some space, or copy the outing to another disk", path.display())]
    Unwritable {
        /// The file or folder.
        path: PathBuf,
        /// What the system said.
        reason: String,
    },
    /// There is nothing in it to work with.
    #[error("no frames were found in {}: expected camera raw, DNG, FITS, TIFF, PNG or JPEG files in it or in its sub-folders; copy the night's frames there", path.display())]
    NoFrames {
        /// The folder.
        path: PathBuf,
    },
    /// It is hardly one night's folder.
    #[error("{} is {what}: expected a folder with the frames of one night; copy them into a folder of their own, or say --yes if it is meant", path.display())]
    Unlikely {
        /// The folder, wherever links led.
        path: PathBuf,
        /// What it is.
        what: String,
    },
    /// A settings file is there already.
    #[error("{} exists already and may hold your own settings; edit it, or use --force to write a new one and keep the old as a copy", path.display())]
    Exists {
        /// The file.
        path: PathBuf,
    },
}

impl FolderError {
    /// The error for a folder that cannot be found.
    pub fn missing(path: &Path, error: &io::Error) -> Self {
        match error.kind() {
            io::ErrorKind::NotFound => Self::Missing { path: path.into() },
            _ => Self::unreadable(path, error),
        }
    }
    /// The error for a folder that cannot be read.
    pub fn unreadable(path: &Path, error: &io::Error) -> Self {
        Self::Unreadable {
            path: path.into(),
            reason: error.to_string(),
        }
    }
    /// The error for a place that cannot be written to.
    pub fn unwritable(path: &Path, error: &io::Error) -> Self {
        Self::Unwritable {
            path: path.into(),
            reason: error.to_string(),
        }
    }
}

/// Everything wrong with an `outing.toml`, in line order.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub struct SettingsError {
    /// The file, as it was named.
    pub file: String,
    /// What is wrong, at least one fault.
    pub faults: Vec<SettingFault>,
}

/// One fault in an `outing.toml`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SettingFault {
    /// The line, counted from 1; 0 when the file could not be read at all.
    pub line: usize,
    /// The key with its section, as `site.latitude_deg`; empty where there is none.
    pub key: String,
    /// What was expected, what was found and what to do.
    pub message: String,
}

impl std::fmt::Display for SettingsError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        for (n, fault) in self.faults.iter().enumerate() {
            let end = if n == 0 { "" } else { "\n" };
            write!(f, "{end}{}", self.file)?;
            if fault.line > 0 {
                write!(f, ", line {}", fault.line)?;
            }
            if !fault.key.is_empty() {
                write!(f, ", {}", fault.key)?;
            }
            write!(f, ": {}", fault.message)?;
        }
        Ok(())
    }
}
