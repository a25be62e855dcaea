//! Where sites and rigs are kept by name.

use std::path::PathBuf;

use nightloom_outing::shelf::{Preferences, Shelf, ShelfError};
use nightloom_outing::typed;

use crate::failure::Failure;

/// The folder with what is kept, in place of the usual one.
const FOLDER: &str = "NIGHTLOOM_CONFIG";

/// The shelf: in `$NIGHTLOOM_CONFIG`, else in the person's folder for settings.
pub(crate) fn shelf() -> Result<Shelf, Failure> {
    // The XDG base directory specification 0.8 wants whole paths, and others ignored.
    let told = |name: &str| {
        std::env::var_os(name)
            .map(PathBuf::from)
            .filter(|p| p.is_absolute())
    };
    let usual = || {
        told("XDG_CONFIG_HOME")
            .or_else(|| told("APPDATA"))
            .or_else(|| Some(told("HOME")?.join(".config")))
            .map(|folder| folder.join("nightloom"))
    };
    let own = std::env::var_os(FOLDER)
        .filter(|f| !f.is_empty())
        .map(PathBuf::from);
    own.or_else(usual).map(Shelf::at).ok_or_else(|| {
        Failure::said(format!(
            "no folder for your settings is known; set {FOLDER} to one, like {FOLDER}=/home/me/nightloom"
        ))
    })
}

/// The person's own units; the usual ones where no folder for settings is known or may be read.
pub(crate) fn preferences() -> Result<Preferences, Failure> {
    let Ok(shelf) = shelf() else {
        return Ok(Preferences::default());
    };
    match shelf.preferences() {
        // Another person's folder is no reason to do nothing.
        Err(ShelfError::File { .. }) => Ok(Preferences::default()),
        found => Ok(found?),
    }
}

/// That preferences may be there and cannot be read, if that is so.
pub(crate) fn unread_preferences() -> Option<String> {
    let error = shelf().ok()?.preferences().err()?;
    matches!(error, ShelfError::File { .. })
        .then(|| format!("{error}; heights without a unit are taken as metres, temperatures as °C"))
}

/// For what is typed: a fault in the preferences is told where a unit is asked for.
fn typed_units() -> Result<Preferences, String> {
    preferences().map_err(|failure| failure.sentence)
}

/// A height; a figure alone is in the person's own unit.
pub(crate) fn height_m(text: &str) -> Result<f64, String> {
    typed::elevation_by(text, typed_units()?.feet).map_err(|e| e.to_string())
}

/// A temperature; a figure alone is in the person's own unit.
pub(crate) fn temperature_c(text: &str) -> Result<f64, String> {
    typed::temperature_c(text, typed_units()?.fahrenheit).map_err(|e| e.to_string())
}
