//! What frames tell by themselves: verdicts, places among the stars, light, the tracker's axis, the sensor.
//!
//! [`check_frames`] judges, [`identify_frame`], [`frame_light`] and [`frame_picture`] look at one frame, [`axis`] takes
//! several to an axis, [`measure_sensor`] pairs to a sensor's figures. Pictures are made elsewhere.

mod around;
pub mod axis;
pub mod cause;
mod check;
mod daylight;
mod sensor;
mod single;
mod watch;

pub use cause::{Cause, CauseFound};
pub use check::{
    CheckOptions, FrameCheck, Standing, Trend, Trends, check_frame, check_frames, check_or_tell,
    check_pixels, judge_together, trends,
};
pub use sensor::{
    Channel, DarkCurrentReport, FramesUsed, HotReport, Saturation, SensorAtIso, SensorError, SensorReport,
    UnusedFrame, measure_sensor,
};
pub use single::{
    FalloffReport, FrameLight, FramePicture, FrameTold, IdentifyReport, LensTold, LensesError, ResidualMap,
    SingleError, SkyPlace, SkyTones, StarReport, StarsReport, StreakKind, StreakReport, frame_light,
    frame_picture, frame_stars, frame_stars_in_green, identify_frame,
};
pub use watch::{Listed, WatchEvent, WatchSettings, Watcher, list};
