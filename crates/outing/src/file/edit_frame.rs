//! What `[frames]` says of one frame, changed; everything else left as it stands.

use toml_edit::{DocumentMut, InlineTable, Item, Value as Toml};

use super::{parse_settings, template};
use crate::discover::OUTING_TOML;
use crate::error::{SettingFault, SettingsError};
use crate::plan::FrameOverride;

const FRAMES: &str = "frames";

/// The text with what it says of the frame `path` (from the outing's folder, with `/`) replaced; where nothing is said any
/// more, the frame's line is taken out. An empty `text` begins a new file. The result is checked as a whole.
///
/// ```
/// use nightloom_outing::{FrameOverride, Role, with_frame};
/// let out = FrameOverride { used: Some(false), ..FrameOverride::default() };
/// let text = with_frame("[frames] # by hand\n", "sky/a 1.dng", &out).unwrap();
/// assert_eq!(text, "[frames] # by hand\n\"sky/a 1.dng\" = { use = false }\n");
/// let land = FrameOverride { role: Some(Role::Land), ..FrameOverride::default() };
/// let text = with_frame(&text, "sky/a 1.dng", &land).unwrap();
/// assert_eq!(text, "[frames] # by hand\n\"sky/a 1.dng\" = { role = \"land\" }\n");
/// assert_eq!(with_frame(&text, "sky/a 1.dng", &FrameOverride::default()).unwrap(), "[frames] # by hand\n");
/// ```
///
/// # Errors
/// What [`parse_settings`] says of the text as it is, or of the result.
pub fn with_frame(text: &str, path: &str, said: &FrameOverride) -> Result<String, SettingsError> {
    let started = match text.trim().is_empty() {
        true => template(&[], &[]),
        false => text.to_owned(),
    };
    parse_settings(&started, OUTING_TOML)?;
    let mut document: DocumentMut = started
        .parse()
        .map_err(|e: toml_edit::TomlError| fault(e.message()))?;
    let frames = document.entry(FRAMES).or_insert_with(toml_edit::table);
    let frames = frames
        .as_table_like_mut()
        .ok_or_else(|| fault("write [frames], not frames = …"))?;
    let mut told = InlineTable::new();
    if let Some(role) = said.role {
        told.insert("role", Toml::from(role.word()));
    }
    if let Some(used) = said.used {
        told.insert("use", Toml::from(used));
    }
    match told.is_empty() {
        true => {
            frames.remove(path);
        }
        false => match frames.get_mut(path) {
            Some(old) => *old = Item::Value(Toml::InlineTable(told)),
            None => {
                frames.insert(path, Item::Value(Toml::InlineTable(told)));
            }
        },
    }
    let changed = document.to_string();
    parse_settings(&changed, OUTING_TOML)?;
    Ok(changed)
}

fn fault(message: &str) -> SettingsError {
    SettingsError {
        file: OUTING_TOML.into(),
        faults: vec![SettingFault {
            line: 0,
            key: FRAMES.into(),
            message: message.to_owned(),
        }],
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::role::Role;

    #[test]
    fn comments_and_the_other_frames_stay() {
        let text = "# ours\n[picture]\nstretch = 0.6 # dark\n\n[frames]\n\"b.dng\" = { use = true } # sharp\n# end\n";
        let said = FrameOverride {
            role: Some(Role::Sky),
            used: Some(false),
            line: 0,
        };
        let out = with_frame(text, "sky/a.dng", &said).unwrap();
        assert!(
            out.contains("\"b.dng\" = { use = true } # sharp") && out.contains("stretch = 0.6 # dark"),
            "{out}"
        );
        assert!(
            out.contains("\"sky/a.dng\" = { role = \"sky\", use = false }"),
            "{out}"
        );
        let read = parse_settings(&out, OUTING_TOML).unwrap();
        assert_eq!(read.frames.len(), 2);
        assert_eq!(read.frames["sky/a.dng"].used, Some(false));
        let back = with_frame(&out, "sky/a.dng", &FrameOverride::default()).unwrap();
        assert_eq!(parse_settings(&back, OUTING_TOML).unwrap().frames.len(), 1);
        assert!(with_frame("[picture]\nstretch = 9\n", "a", &said).is_err());
        assert!(with_frame("", "a.dng", &said).unwrap().contains("\"a.dng\" = {"));
    }
}
