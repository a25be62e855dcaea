//! Land frames of one tripod at different focus become one land, sharp everywhere.
//!
//! [`FocusDetail`] (one frame at a time) → [`focus_groups`] → the frames of a group averaged by the
//! caller → [`breathing`] between groups → [`fuse`].

mod breathing;
mod detail;
mod evidence;
mod fuse;
mod groups;
mod labels;

pub use breathing::{Breathing, breathing};
pub use detail::{FocusDetail, NoiseLine};
pub use fuse::{FocusLayer, FuseSettings, fuse};
pub use groups::{FocusGroup, FocusStanding, focus_groups};
