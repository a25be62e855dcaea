//! One number of the input that cannot be.

/// A number that cannot be what its field needs.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[error("{field} must be {expected}, for example {example}; {got} was given")]
pub struct FieldError {
    /// The field, with its unit, in plain words.
    pub field: &'static str,
    /// What it must be.
    pub expected: &'static str,
    /// A value that is right.
    pub example: &'static str,
    /// What was given.
    pub got: f64,
}

/// What a number may be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Range {
    /// Above zero and finite.
    Positive,
    /// Zero or above, finite.
    NotNegative,
    /// Above 0 and at most 1.
    Share,
    /// Any finite number.
    Finite,
}

impl Range {
    fn holds(self, value: f64) -> bool {
        value.is_finite()
            && match self {
                Self::Positive => value > 0.0,
                Self::NotNegative => value >= 0.0,
                Self::Share => value > 0.0 && value <= 1.0,
                Self::Finite => true,
            }
    }
    fn words(self) -> &'static str {
        match self {
            Self::Positive => "a number above zero",
            Self::NotNegative => "zero or a number above it",
            Self::Share => "above 0 and at most 1",
            Self::Finite => "a finite number",
        }
    }
}

/// The value, if it is in the range.
pub(crate) fn check(
    field: &'static str,
    value: f64,
    range: Range,
    example: &'static str,
) -> Result<f64, FieldError> {
    if range.holds(value) {
        return Ok(value);
    }
    Err(FieldError {
        field,
        expected: range.words(),
        example,
        got: value,
    })
}
