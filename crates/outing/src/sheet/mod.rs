//! The field sheet's content: one structure, shown as a page, as paper and as JSON.

mod calendar;
mod content;
mod faults;
mod fold;
mod ladders;
mod moments;
mod plain;
mod pole_help;
mod pole_table;
mod words;
mod zone;

use nightloom_optics::{FieldError, StopsError};
use nightloom_sky::night::{Night, NightError};

use crate::evening::Evening;
use crate::framing::Panorama;
use crate::shots::{ShotList, ShotSettings};

pub use calendar::calendar;
pub use content::{Content, SheetStep};
pub use faults::NightFault;
pub use ladders::LadderOf;
pub use moments::Moment;
pub use pole_table::{PoleRow, PoleTable};
pub use words::{BEAM, TITLE, fill};
pub use zone::{Offset, SiteClock};

/// What was asked for, and what the night has room for.
pub struct Planned {
    /// Place and sky.
    pub evening: Evening,
    /// The night.
    pub night: Night,
    /// What is wanted.
    pub settings: ShotSettings,
    /// The shot list.
    pub list: ShotList,
    /// The panorama that its sky frames make, if one is asked for.
    pub panorama: Option<Panorama>,
}

/// Why there is no sheet.
#[derive(Debug, thiserror::Error)]
pub enum SheetError {
    /// The list is longer than any night's.
    #[error(
        "the shot list has {lines} lines, more than the {most} that a sheet holds; ask for fewer re-checks with a longer --recheck"
    )]
    TooManyLines {
        /// How long.
        lines: usize,
        /// How long it may be.
        most: usize,
    },
    /// An exposure without equivalents.
    #[error(transparent)]
    Stops(#[from] StopsError),
    /// A lens that cannot be.
    #[error(transparent)]
    Field(#[from] FieldError),
    /// An instant whose sky is not known.
    #[error(transparent)]
    Night(#[from] NightError),
}
