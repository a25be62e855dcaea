//! The outing: `outing.toml`, the night's plan, its charts, and what single frames tell.
//!
//! Everything from outside comes through [`World`]. [`read_settings`] and [`discover()`] say what is
//! asked for and what is there; what becomes of the frames is the pipeline's.

pub mod axis;
pub mod chart;
mod check;
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
mod sensor;
pub mod sheet;
pub mod shelf;
pub mod shots;
mod single;
mod skyline;
mod system;
pub mod tonight;
mod turn;
pub mod typed;
mod watch;
mod world;
mod zone;

pub use check::{
    CheckOptions, FrameCheck, Standing, Trend, Trends, check_frame, check_frames, check_or_tell,
    check_pixels, trends,
};
pub use clock::{ClockFrame, ClockReport, FrameTime, read_clock};
pub use discover::{Discovery, Found, OUTING_TOML, RESULTS, WORK, discover};
pub use error::{FolderError, SettingFault, SettingsError};
pub use file::{
    Filled, check_frame_names, markdown, offset_seconds, option_in, options, parse_settings, read_settings,
    real, template, with_frame, with_option,
};
pub use hash::{Digest, hash_bytes, hash_file};
pub use likely::check_likely;
pub use marks::{setting_words, short, time_words};
pub use nightloom_stars::cause::{Cause, CauseFound};
pub use plan::{
    ClockSettings, Crop, FilesSettings, FrameOverride, LandSettings, LandUse, Look, OutingSettings,
    PictureSettings, Rejection, RigSettings, SeamSettings, Settings, SiteSettings, SkySettings, White,
};
pub use role::Role;
pub use sensor::{
    Channel, DarkCurrentReport, FramesUsed, HotReport, Saturation, SensorAtIso, SensorError, SensorReport,
    UnusedFrame, measure_sensor,
};
pub use single::{
    FalloffReport, FrameLight, FramePicture, FrameTold, IdentifyReport, LensTold, LensesError, ResidualMap,
    SingleError, SkyPlace, SkyTones, StarReport, StarsReport, StreakKind, StreakReport, frame_light,
    frame_picture, frame_stars, frame_stars_in_green, identify_frame,
};
pub use skyline::{
    SKYLINE_CSV, SkylineFileError, StoreOptions, TileReport, Tiles, measured_skyline, outing_skyline,
    read_tiles, store_skyline,
};
pub use turn::{Turn, turn_to_write};
pub use watch::{Listed, WatchEvent, WatchSettings, Watcher, list};
pub use world::{Step, World};
pub use zone::{SiteZone, ZoneError, likelier_place, named_zone, site_zone};
