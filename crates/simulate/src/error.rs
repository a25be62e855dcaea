//! What can go wrong while rendering.

/// Why a night was not rendered.
#[derive(Debug, thiserror::Error)]
pub enum SimulateError {
    /// The caller asked to stop. Files already written are whole.
    #[error("rendering was stopped as asked; the frames written so far are whole")]
    Cancelled,
    /// A setting of the scenario makes no night.
    #[error("the scenario's `{field}` is {found}; expected {expected}")]
    Scenario {
        /// The field of the scenario.
        field: &'static str,
        /// What was expected.
        expected: &'static str,
        /// What was found.
        found: String,
    },
    /// The file system refused.
    #[error(
        "{file} could not be written: {why}; check that the folder exists, may be written to and has room"
    )]
    Write {
        /// The file or folder.
        file: String,
        /// What the system said.
        why: String,
    },
}

impl SimulateError {
    pub(crate) fn write(path: &std::path::Path, why: impl ToString) -> Self {
        Self::Write {
            file: path.display().to_string(),
            why: why.to_string(),
        }
    }
}
