//! Exposures in stops: the marked series of cameras and the exact values behind it, settings that
//! give the same exposure, and ladders of such settings.

mod attach;
mod equivalent;
mod ladder;
mod series;
mod settings_text;

pub use attach::Attachment;
pub use equivalent::{Comparison, Equivalent, StopsBy, compare, solve};
pub use ladder::{Ladder, LadderLimits, Limit, Rung, ladder};
pub use series::Setting;
pub use settings_text::Written;

/// Why settings cannot be worked with.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[allow(missing_docs, reason = "the message says what each field is")]
pub enum StopsError {
    /// A bare number.
    #[error(
        "{field}: {found} has no unit; write {found}s for a time in seconds or 1/{found} for a fraction of a second, f/{found} for an aperture, ISO{found} for a speed"
    )]
    NoUnit { field: String, found: String },
    /// A sign without its number.
    #[error("{field}: there is no number after {what}; write it like {example}")]
    NoNumber {
        field: String,
        what: String,
        example: &'static str,
    },
    /// Something that is none of the settings.
    #[error("{field}: {found} is not understood; write settings like 15s f/2.8 ISO6400")]
    Unknown { field: String, found: String },
    /// A comma in a number.
    #[error(
        "{field}: {found} has a comma in the number; write decimals with a point, like f/2.8, and no thousands mark"
    )]
    DecimalComma { field: String, found: String },
    /// A setting written twice.
    #[error("{field}: {what} is given twice; give it once, like 15s f/2.8 ISO6400")]
    Twice { field: String, what: &'static str },
    /// A value out of range.
    #[error("{field}: {what} is {found}; it must be {expected}")]
    Value {
        field: String,
        what: &'static str,
        found: String,
        expected: &'static str,
    },
    /// A time that no night has.
    #[error("{field}: the time is {hours:.1} h, longer than any night; give at most 24h, like 4min")]
    LongerThanADay { field: String, hours: f64 },
    /// A speed between the marks.
    #[error("{field}: ISO {found} is not in the series; the nearest mark is ISO{nearest}")]
    IsoOffSeries { field: String, found: f64, nearest: f64 },
    /// `ND3`.
    #[error(
        "{field}: ND{found} can be a factor, a density or stops; write ND8 for a factor of 8, ND{found}.0 for the density or \"ND {found} stops\""
    )]
    FilterUnclear { field: String, found: String },
    /// Settings that must be complete are not.
    #[error("{field}: {what} is missing; give time, f-number and ISO, like 15s f/2.8 ISO6400")]
    Missing { field: String, what: &'static str },
    /// More than one setting was left open.
    #[error(
        "{field}: {what} are missing; leave exactly one of time, f-number and ISO out to have it worked out (\"f/4 ISO800\"), or give all three to compare"
    )]
    TooFew { field: String, what: String },
    /// Limits that leave no room.
    #[error(
        "{field}: {found} is already beyond the limit of {limit}; the ladder starts at the first settings"
    )]
    BeyondLimit {
        field: String,
        found: String,
        limit: String,
    },
}
