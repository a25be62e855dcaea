//! `outing.toml`: what it can say, how it is checked, how it is written.
//!
//! Text becomes a document with the place of every key, the document becomes values checked against
//! [`options`], and the values become complete [`Settings`]. Every fault names its line and key.

mod check;
mod complete;
mod edit;
mod edit_frame;
mod near;
pub mod options;
mod template;
mod typed_value;

use std::path::Path;

use crate::discover::OUTING_TOML;
use crate::error::{SettingFault, SettingsError};
use crate::plan::Settings;

pub use check::{offset_seconds, real};
pub use complete::PROJECTIONS;
pub use edit::{option_in, with_option};
pub use edit_frame::with_frame;
pub(crate) use near::nearest;
pub use template::{Filled, markdown, template};

/// Reads settings out of the text of an `outing.toml`; `file` is its name in messages.
///
/// ```
/// let text = "[site]\nlatitude_deg = 95\nlongitude_deg = 10\n";
/// let error = nightloom_outing::parse_settings(text, "outing.toml").unwrap_err();
/// assert_eq!(error.faults[0].line, 2);
/// assert_eq!(error.faults[0].key, "site.latitude_deg");
/// ```
///
/// # Errors
/// Everything that is wrong with it, in line order.
pub fn parse_settings(text: &str, file: &str) -> Result<Settings, SettingsError> {
    let named = |mut faults: Vec<SettingFault>| {
        faults.sort_by_key(|f| f.line);
        SettingsError {
            file: file.to_owned(),
            faults,
        }
    };
    let checked = check::check(text).map_err(named)?;
    complete::complete(checked).map_err(named)
}

/// Reads the settings of the outing in `folder`; without an `outing.toml` they are the defaults.
///
/// # Errors
/// If the file is there and cannot be read, or says something impossible.
pub fn read_settings(folder: &Path) -> Result<Settings, SettingsError> {
    read_file(&folder.join(OUTING_TOML))
}

/// Reads settings out of one file; without it they are the defaults.
pub(crate) fn read_file(path: &Path) -> Result<Settings, SettingsError> {
    let failed = |message: String| SettingsError {
        file: path.display().to_string(),
        faults: vec![SettingFault {
            line: 0,
            key: String::new(),
            message,
        }],
    };
    match nightloom_raster::read_regular(path, nightloom_raster::MOST_TEXT_BYTES) {
        Ok(bytes) => match String::from_utf8(bytes) {
            Ok(text) => parse_settings(&text, &path.display().to_string()),
            Err(_) => Err(failed(
                "expected text in UTF-8, found other bytes; save it again as UTF-8".into(),
            )),
        },
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => Ok(Settings::default()),
        Err(e) => Err(failed(format!("it cannot be read ({e}); check its permissions"))),
    }
}

/// Checks that every frame that `[frames]` and `sky.reference` speak of was found.
///
/// # Errors
/// A fault for each that was not.
pub fn check_frame_names<'a>(
    settings: &Settings,
    found: impl IntoIterator<Item = &'a str>,
    file: &str,
) -> Result<(), SettingsError> {
    let found: Vec<&str> = found.into_iter().collect();
    let mut faults = Vec::new();
    let missing = |name: &str| !found.contains(&name);
    for (name, said) in settings.frames.iter().filter(|(n, _)| missing(n)) {
        faults.push(SettingFault {
            line: said.line,
            key: format!("frames.{name:?}"),
            message: no_such_frame(name, &found),
        });
    }
    if let Some(name) = settings.sky.reference.as_deref().filter(|n| missing(n)) {
        faults.push(SettingFault {
            line: settings.sky.reference_line,
            key: "sky.reference".into(),
            message: no_such_frame(name, &found),
        });
    }
    faults.sort_by_key(|f| f.line);
    if faults.is_empty() {
        Ok(())
    } else {
        Err(SettingsError {
            file: file.to_owned(),
            faults,
        })
    }
}

fn no_such_frame(name: &str, found: &[&str]) -> String {
    let hint = match near::nearest(name, found.iter().copied()) {
        Some(other) => format!("did you mean “{other}”?"),
        None => "give the path from the outing's folder, with / between the parts, or delete the line".into(),
    };
    format!("expected the path of a frame in this outing, found “{name}”, which is not there; {hint}")
}
