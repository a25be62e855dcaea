//! What frames are for.

use std::fmt;

use serde::{Deserialize, Serialize};

/// What a frame is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Role {
    /// Tracked: stars sharp, land smeared.
    Sky,
    /// From the fixed tripod: land sharp, stars trailed.
    Land,
    /// Lens covered, exposed as the sky was.
    Dark,
    /// An evenly lit surface.
    Flat,
    /// Lens covered, shortest exposure.
    Bias,
}

impl Role {
    /// All roles.
    pub const ALL: [Self; 5] = [Self::Sky, Self::Land, Self::Dark, Self::Flat, Self::Bias];
    /// The word used in settings, reports and JSON.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Sky => "sky",
            Self::Land => "land",
            Self::Dark => "dark",
            Self::Flat => "flat",
            Self::Bias => "bias",
        }
    }
    /// The role of that word.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|r| r.word() == word)
    }
}

impl fmt::Display for Role {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}
