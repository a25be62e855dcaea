//! Why a command did not do what it was asked.

use serde_json::{Value, json};

/// An answer that is “no”, or none at all.
///
/// It is no `std::error::Error` itself, so that every error becomes one by `?`.
#[derive(Debug)]
pub(crate) struct Failure {
    /// What standard output holds under `--json`.
    pub(crate) json: Value,
    /// What it comes to.
    pub(crate) sentence: String,
    /// 1 where the work was done and its answer is “no”, else 2.
    pub(crate) status: u8,
}

impl Failure {
    /// The question was answered, and the answer is no.
    pub(crate) fn no(json: Value, sentence: impl Into<String>) -> Self {
        Self {
            json,
            sentence: sentence.into(),
            status: 1,
        }
    }

    /// An error that says that the answer is no.
    pub(crate) fn said_no(error: &impl std::error::Error) -> Self {
        Self::no(json!({ "error": error.to_string() }), error.to_string())
    }

    /// It could not be done, with what was found out nevertheless.
    pub(crate) fn with(json: Value, sentence: impl Into<String>) -> Self {
        Self {
            status: 2,
            ..Self::no(json, sentence)
        }
    }

    /// It could not be done.
    pub(crate) fn said(sentence: impl Into<String>) -> Self {
        let sentence = sentence.into();
        Self::with(json!({ "error": sentence }), sentence)
    }
}

impl<E: std::error::Error> From<E> for Failure {
    fn from(error: E) -> Self {
        Self::said(error.to_string())
    }
}
