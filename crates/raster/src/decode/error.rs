//! Why a file did not become a frame.

use std::path::Path;

/// Why a file did not become a frame. Every message is a sentence that names the file and says
/// what to do. It can be sent from the decoding process to the program.
#[derive(Clone, Debug, PartialEq, thiserror::Error, serde::Serialize, serde::Deserialize)]
pub enum DecodeError {
    /// The file system refused.
    #[error("{file} cannot be read: {why}; check that it exists and may be read")]
    Unreadable {
        /// The file.
        file: String,
        /// What the system said.
        why: String,
    },
    /// Nothing in it.
    #[error("{file} is empty (0 bytes); copy it again from the card or leave it out")]
    Empty {
        /// The file.
        file: String,
    },
    /// Its first bytes are of no kind known here.
    #[error(
        "{file} is not a photograph of a known kind (its first bytes are {found}); \
         expected camera raw, DNG, TIFF, PNG, JPEG or FITS; leave it out or convert it to one of these"
    )]
    UnknownKind {
        /// The file.
        file: String,
        /// Its first bytes.
        found: String,
    },
    /// A kind of picture that is not taken.
    #[error("{file} holds {what}, which is not supported; {advice}")]
    Unsupported {
        /// The file.
        file: String,
        /// What it holds.
        what: String,
        /// What to do.
        advice: String,
    },
    /// The header is there, the pixels (or many of them) are not.
    #[error("{file} lacks its pixels, or part of them: {why}; copy it again from the card or leave it out")]
    NoPixels {
        /// The file.
        file: String,
        /// What was expected and found.
        why: String,
    },
    /// Bigger than the limits allow.
    #[error("{file} is too large: {what}, at most {limit} is allowed; leave it out or raise the limit")]
    TooLarge {
        /// The file.
        file: String,
        /// What it asks for.
        what: String,
        /// What is allowed.
        limit: String,
    },
    /// Decoding it takes more memory than the limits allow.
    #[error(
        "{file} needs more memory than is allowed for decoding one file (--memory, and the system's own limit, \
         ulimit -v): raise them if it is really that large, or leave it out"
    )]
    OutOfMemory {
        /// The file.
        file: String,
    },
    /// It contradicts itself or its format.
    #[error("{file} is damaged: {why}; copy it again from the card or leave it out")]
    Damaged {
        /// The file.
        file: String,
        /// What the decoder found.
        why: String,
    },
    /// The decoding process died over it.
    #[error(
        "{file} brought its decoder down ({how}); it is most likely damaged: copy it again from the card or leave it out"
    )]
    Died {
        /// The file.
        file: String,
        /// How the process ended.
        how: String,
    },
    /// The decoding process took too long.
    #[error(
        "{file} was not decoded within {seconds} s: the machine or the disk is busy, or the file is damaged; \
         build again, and leave it out if that does not help"
    )]
    TimedOut {
        /// The file.
        file: String,
        /// The limit, seconds.
        seconds: f64,
    },
    /// Something else ended the decoding process.
    #[error(
        "{file} was not decoded, because something ended its decoder ({how}): the system short of memory, or a person; \
         nothing is wrong with the file as far as is known: build again"
    )]
    Killed {
        /// The file.
        file: String,
        /// How the process ended.
        how: String,
    },
    /// It is no longer the file it was.
    #[error("{file} changed while it was worked on; let the copying end and build again")]
    Changed {
        /// The file.
        file: String,
    },
    /// The decoding process did not start.
    #[error("{file} was not decoded, because the decoding process {program} could not be started: {why}")]
    NoWall {
        /// The file.
        file: String,
        /// The program that was to run.
        program: String,
        /// What the system said.
        why: String,
    },
    /// The program was told to stop.
    #[error("decoding of {file} was stopped")]
    Cancelled {
        /// The file.
        file: String,
    },
}

/// The name under which errors speak of a file.
pub(crate) fn name(path: &Path) -> String {
    path.display().to_string()
}

impl DecodeError {
    /// Whether it may be over the next time, without another content of the file: what stands of it must not be kept.
    pub fn may_pass(&self) -> bool {
        match self {
            Self::Unreadable { .. }
            | Self::TooLarge { .. }
            | Self::OutOfMemory { .. }
            | Self::TimedOut { .. }
            | Self::Killed { .. }
            | Self::Changed { .. }
            | Self::NoWall { .. }
            | Self::Cancelled { .. } => true,
            Self::Empty { .. }
            | Self::UnknownKind { .. }
            | Self::Unsupported { .. }
            | Self::NoPixels { .. }
            | Self::Damaged { .. }
            | Self::Died { .. } => false,
        }
    }

    /// That a file is not what it was when it was hashed.
    pub fn changed(path: &Path) -> Self {
        Self::Changed { file: name(path) }
    }

    pub(crate) fn damaged(path: &Path, why: impl std::fmt::Display) -> Self {
        Self::Damaged {
            file: name(path),
            why: clean(&why.to_string()),
        }
    }
    pub(crate) fn no_pixels(path: &Path, why: impl std::fmt::Display) -> Self {
        Self::NoPixels {
            file: name(path),
            why: why.to_string(),
        }
    }
    pub(crate) fn unreadable(path: &Path, why: impl std::fmt::Display) -> Self {
        Self::Unreadable {
            file: name(path),
            why: why.to_string(),
        }
    }
    pub(crate) fn io(path: &Path, error: std::io::Error) -> Self {
        match error.kind() {
            std::io::ErrorKind::OutOfMemory => Self::OutOfMemory { file: name(path) },
            std::io::ErrorKind::FileTooLarge => Self::TooLarge {
                file: name(path),
                what: "the file itself is larger than the memory it may take".into(),
                limit: "the memory for one file".into(),
            },
            _ => Self::unreadable(path, error),
        }
    }
    pub(crate) fn unsupported(path: &Path, what: impl Into<String>, advice: impl Into<String>) -> Self {
        Self::Unsupported {
            file: name(path),
            what: what.into(),
            advice: advice.into(),
        }
    }
}

/// A library's message made fit for the middle of a sentence: one line, no final stop, not long.
fn clean(text: &str) -> String {
    let line = text.split_whitespace().collect::<Vec<_>>().join(" ");
    let line: String = line.chars().take(200).collect();
    line.trim_start_matches("TODO: ")
        .trim_end_matches(['.', '!', ';'])
        .to_string()
}
