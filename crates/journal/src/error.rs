//! Why a build could not be done.

use std::io;
use std::path::{Path, PathBuf};

use crate::journal::JournalError;
use nightloom_outing::{FolderError, SettingsError};
use nightloom_raster::WorkFileError;

/// Why a build ended without a picture.
#[derive(Debug, thiserror::Error)]
pub enum BuildError {
    /// It was asked to stop; what was finished is kept.
    #[error("stopped on request; what was finished is kept, and the same command goes on from there")]
    Cancelled,
    /// The folder cannot serve.
    #[error(transparent)]
    Folder(#[from] FolderError),
    /// The settings are wrong.
    #[error(transparent)]
    Settings(#[from] SettingsError),
    /// The journal cannot be used.
    #[error(transparent)]
    Journal(#[from] JournalError),
    /// No frame can be used: nothing to make a picture of.
    #[error("no picture can be made: {why}")]
    NothingToDo {
        /// What is missing and what to do.
        why: String,
    },
    /// A work file or result could not be written.
    #[error("{} cannot be written ({reason}); free some space or choose another disk, then run the same command: finished steps are kept", path.display())]
    Write {
        /// The file.
        path: PathBuf,
        /// What the system said.
        reason: String,
    },
    /// A work file could not be read back.
    #[error("the work file {} cannot be read ({reason}); delete the folder .nightloom in the outing and run again", path.display())]
    Read {
        /// The file.
        path: PathBuf,
        /// What the system said.
        reason: String,
    },
    /// A work file could not be written or read back.
    #[error(transparent)]
    Work(#[from] WorkFileError),
    /// A step failed for a reason of its own.
    #[error("{what}")]
    Internal {
        /// What happened.
        what: String,
    },
}

impl BuildError {
    /// A step failed, for this reason.
    pub fn internal(error: impl std::fmt::Display) -> Self {
        Self::Internal {
            what: error.to_string(),
        }
    }
    /// A file could not be written.
    pub fn write(path: &Path, error: &io::Error) -> Self {
        Self::Write {
            path: path.into(),
            reason: error.to_string(),
        }
    }
    /// A work file could not be read back.
    pub fn read(path: &Path, error: &io::Error) -> Self {
        Self::Read {
            path: path.into(),
            reason: error.to_string(),
        }
    }
}
