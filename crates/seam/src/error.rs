//! What can go wrong at the seam.

/// Why a step at the seam could not be done.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SeamError {
    /// The caller raised the flag.
    #[error("the work on the seam was stopped on request; run it again to go on")]
    Cancelled,
    /// Two planes that must be of one size are not.
    #[error(
        "the {what} is {found_width} × {found_height} pixels, expected {width} × {height}; bring all planes to one canvas first"
    )]
    Size {
        /// Which plane.
        what: &'static str,
        /// Width expected, pixels.
        width: usize,
        /// Height expected, pixels.
        height: usize,
        /// Width found, pixels.
        found_width: usize,
        /// Height found, pixels.
        found_height: usize,
    },
    /// Nothing finite to look at.
    #[error("the {what} holds no finite pixel; give it at least one frame that covers the canvas")]
    Empty {
        /// Which plane or picture.
        what: &'static str,
    },
    /// A setting outside its range.
    #[error("the setting {name} must be {expected}, found {found}; correct it and run again")]
    Setting {
        /// The field's name.
        name: &'static str,
        /// The allowed range in words.
        expected: &'static str,
        /// What was given.
        found: f64,
    },
}

impl SeamError {
    pub(crate) fn check_size(
        what: &'static str,
        expected: (usize, usize),
        found: (usize, usize),
    ) -> Result<(), Self> {
        if expected == found {
            return Ok(());
        }
        Err(Self::Size {
            what,
            width: expected.0,
            height: expected.1,
            found_width: found.0,
            found_height: found.1,
        })
    }
}
