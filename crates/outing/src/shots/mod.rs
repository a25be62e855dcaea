//! The shot list: every frame, check and pause of the night laid into its hours, and whether they fit.
//!
//! [`shot_list`] takes the [`Hours`] of one night and what is wanted ([`ShotSettings`]). Its figures for batteries and
//! cards are rough, and say so.

mod after;
mod before;
mod block;
mod card;
mod dew;
mod drop;
mod hours;
mod land_time;
mod lay;
mod list;
mod piece;
mod power;
mod settings;
mod sky_run;
mod words;

pub use block::{Block, BlockKind};
pub use card::{Card, CardSettings, card};
pub use dew::{DEW_MARGIN_C, Dew, dew, dew_point_c};
pub use drop::{Cut, Droppable, LEAST_SKY_FRAMES};
pub use hours::{Hours, TWILIGHT_EV100};
pub use list::{ShotList, ShotTotals, shot_list};
pub use power::{Power, cold_factor, power};
pub use settings::{AirNow, FlatLight, LandLightWanted, PowerSettings, Run, ShotSettings};
pub use words::{CAUTIONS, short_seconds};

/// Why there is no shot list.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum ShotsError {
    /// A number that cannot be.
    #[error("{field} is {found}; expected {expected}")]
    Value {
        /// The field, in plain words.
        field: &'static str,
        /// What was given.
        found: f64,
        /// What it must be, with an example.
        expected: &'static str,
    },
    /// One exposure takes longer than there is time for it.
    #[error(
        "one {field} frame of {exposure_min:.1} min is longer than {room}, {room_min:.1} min; take a shorter exposure, like 2min, or another night"
    )]
    TooLong {
        /// Which frames.
        field: &'static str,
        /// Their exposure, minutes.
        exposure_min: f64,
        /// What it does not fit into.
        room: String,
        /// How long that is, minutes.
        room_min: f64,
    },
    /// Land settings that cannot be.
    #[error(transparent)]
    Land(#[from] nightloom_optics::FieldError),
    /// There is no time for sky frames that night.
    #[error("no time for the sky frames: {why}")]
    NoWindow {
        /// What is missing, and what to try.
        why: String,
    },
}
