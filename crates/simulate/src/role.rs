//! What frames are for.

/// What a frame is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ShotRole {
    /// Tracked.
    Sky,
    /// From the fixed tripod.
    Land,
    /// Cap on.
    Dark,
    /// Evenly lit.
    Flat,
}

impl ShotRole {
    pub(crate) fn folder(self) -> &'static str {
        match self {
            Self::Sky => "sky",
            Self::Land => "land",
            Self::Dark => "darks",
            Self::Flat => "flats",
        }
    }
}
