//! In which units a person types and reads, kept beside the sites and rigs.

use std::path::PathBuf;

use serde::Serialize;
use toml_edit::{DocumentMut, value};

use super::{Shelf, ShelfError, file_error, write};

const FILE: &str = "preferences.toml";
const HEIGHT: &str = "height";
const TEMPERATURE: &str = "temperature";

/// A person's own units, for what is typed without one and for what is told.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Preferences {
    /// Heights in feet; in metres if not.
    pub feet: bool,
    /// Temperatures in °F; in °C if not.
    pub fahrenheit: bool,
}

impl Preferences {
    /// The unit of heights as it is written: `m` or `ft`.
    pub fn height(self) -> &'static str {
        if self.feet { "ft" } else { "m" }
    }

    /// The unit of temperatures as it is written: `C` or `F`.
    pub fn temperature(self) -> &'static str {
        if self.fahrenheit { "F" } else { "C" }
    }
}

impl Shelf {
    /// The preferences that are kept; metres and °C where none are.
    ///
    /// # Errors
    /// A file that cannot be read, or says something else.
    pub fn preferences(&self) -> Result<Preferences, ShelfError> {
        let path = self.folder.join(FILE);
        let text = match std::fs::read_to_string(&path) {
            Ok(text) => text,
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(Preferences::default()),
            Err(e) => return Err(file_error(&path, &e)),
        };
        let wrong = |found: String| ShelfError::Preferences {
            path: path.clone(),
            found,
        };
        let document: DocumentMut = text
            .parse()
            .map_err(|e: toml_edit::TomlError| wrong(e.message().to_owned()))?;
        let mut preferences = Preferences::default();
        for (key, item) in document.iter() {
            match (key, item.as_str()) {
                (HEIGHT, Some("m" | "ft")) => preferences.feet = item.as_str() == Some("ft"),
                (TEMPERATURE, Some("C" | "F")) => preferences.fahrenheit = item.as_str() == Some("F"),
                _ => return Err(wrong(format!("{key} = {}", item.to_string().trim()))),
            }
        }
        Ok(preferences)
    }

    /// Keeps preferences, and says where.
    ///
    /// # Errors
    /// A folder that cannot be written to.
    pub fn keep_preferences(&self, preferences: Preferences) -> Result<PathBuf, ShelfError> {
        let path = self.folder.join(FILE);
        let mut document = DocumentMut::new();
        document[HEIGHT] = value(preferences.height());
        document[TEMPERATURE] = value(preferences.temperature());
        write::whole(&path, document.to_string().as_bytes())?;
        Ok(path)
    }
}
