//! The outing: `outing.toml`, place and night, the plan, the shot list, the sheet's content.
//!
//! Everything from outside comes through [`World`]. [`read_settings`] and [`discover()`] say what is
//! asked for and what is there; what becomes of the frames is the pipeline's.

mod clock;
mod discover;
mod error;
pub mod evening;
mod file;
pub mod framing;
mod hash;
mod likely;
mod marks;
mod plan;
pub mod pole;
mod role;
pub mod sheet;
pub mod shelf;
pub mod shots;
mod skyline;
mod system;
pub mod tonight;
mod turn;
pub mod typed;
mod world;
mod zone;

pub use clock::{ClockFrame, ClockReport, FrameTime, read_clock};
pub use discover::{Discovery, Found, OUTING_TOML, RESULTS, WORK, discover};
pub use error::{FolderError, SettingFault, SettingsError};
pub use file::{
    Filled, PROJECTIONS, check_frame_names, markdown, offset_seconds, option_in, options, parse_settings,
    read_settings, real, template, with_frame, with_option,
};
pub use hash::{Digest, hash_bytes, hash_file};
pub use likely::check_likely;
pub use marks::{setting_words, short, time_words};
pub use plan::{
    ClockSettings, Crop, FilesSettings, FrameOverride, LandSettings, LandUse, Look, OutingSettings,
    PictureSettings, Rejection, RigSettings, SeamSettings, Settings, SiteSettings, SkySettings, White,
};
pub use role::Role;
pub use skyline::{
    SKYLINE_CSV, SkylineFileError, StoreOptions, TileReport, Tiles, measured_skyline, outing_skyline,
    read_tiles, store_skyline,
};
pub use turn::{Turn, turn_to_write};
pub use world::{Step, World};
pub use zone::{SiteZone, ZoneError, likelier_place, named_zone, site_zone};
