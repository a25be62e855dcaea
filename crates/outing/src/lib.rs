//! The outing: `outing.toml`, the roles of its frames, the journal and the build pipeline.
//!
//! Everything from outside comes through [`World`]. [`read_settings`] and [`discover()`] say what is
//! asked for and what is there, [`decide_roles`] what each frame is for, and the pipeline does the
//! rest, with every step in the [`Journal`].

pub mod axis;
mod build;
pub mod chart;
mod check;
mod clock;
mod discover;
mod error;
mod file;
mod hash;
mod hints;
mod journal;
mod new;
mod plan;
pub mod pole;
mod pyramid;
mod roles;
mod sensor;
pub mod shots;
mod single;
mod skyline;
mod watch;
mod world;
mod zone;

pub use build::{
    BuildError, BuildReport, CanvasReport, ColourReport, FrameReport, LandReport, LensReport, Outputs,
    SeamReport, SkyReport, StepCounts, build,
};
pub use check::{
    CheckOptions, FrameCheck, Standing, Trend, Trends, check_frame, check_frames, check_or_tell,
    check_pixels, trends,
};
pub use clock::{ClockReport, FrameTime, read_clock};
pub use discover::{Discovery, Found, OUTING_TOML, RESULTS, WORK, discover};
pub use error::{Fault, FolderError, SettingsError};
pub use file::{
    Filled, check_frame_names, markdown, option_in, options, parse_settings, read_settings, template,
    with_option,
};
pub use hash::{Digest, hash_bytes, hash_file};
pub use hints::{
    HINTS_TOML, HintKind, HintStroke, HintsError, LandFrame, LandHints, LiveEdge, LiveEdgeError,
};
pub use journal::{Entry, Journal, JournalError, Output, StepKey};
pub use new::{NewError, NewOptions, NewReport, new_outing};
pub use nightloom_seam::Patch as MattePatch;
pub use nightloom_stars::cause::{Cause, CauseFound};
pub use plan::{
    ClockSettings, FrameOverride, LandSettings, OutingSettings, PictureSettings, Rejection, RigSettings,
    SeamSettings, Settings, SiteSettings, SkySettings, White,
};
pub use pyramid::{Pyramid, Stretch, TILE_PX};
pub use roles::{Content, FrameFacts, Role, RoleDecision, decide_roles, left_out_by_camera, role_of_folder};
pub use sensor::{
    Channel, DarkCurrentReport, FramesUsed, HotReport, LeftOut, Saturation, SensorAtIso, SensorError,
    SensorReport, measure_sensor,
};
pub use single::{
    Falloff, FrameLight, FramePicture, Hints, IdentifyReport, LensTold, LensesError, ResidualMap,
    SingleError, SkyPlace, SkyTones, StarReport, StarsReport, StreakKind, StreakReport, frame_light,
    frame_picture, frame_stars, frame_stars_in_green, identify_frame,
};
pub use skyline::{
    SKYLINE_CSV, SkylineFileError, StoreOptions, TileReport, Tiles, measured_skyline, outing_skyline,
    read_tiles, store_skyline,
};
pub use watch::{Listed, WatchEvent, WatchSettings, Watcher, list};
pub use world::{Step, World};
pub use zone::{SiteZone, ZoneError, likelier_place, named_zone, site_zone};
