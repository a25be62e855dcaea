//! The camera without pixels: lens projection and distortion, attitude, exposure in stops, trailing.

mod attitude;
mod camera;
mod exposure;
mod field;
pub mod land;
mod lens;
pub mod noise;
pub mod polar;
pub mod sensor;
mod sensors_table;
mod stops;
mod trail;

pub use attitude::{Attitude, level};
pub use camera::{Camera, FieldOfView};
pub use exposure::Exposure;
pub use field::FieldError;
pub use lens::{Lens, PixelScale, Projection};
pub use sensors_table::{SENSOR_FORMATS, SensorFormat};
pub use stops::{
    Attachment, Comparison, Equivalent, Ladder, LadderLimits, Limit, Rung, Setting, StopsBy, StopsError,
    Written, compare, ladder, solve,
};
pub use trail::{
    AxisAllowance, FrameTrails, LONGEST_SEARCHED_S, Periodic, Rate, Rules, SIDEREAL_ARCSEC_PER_S, Scene,
    Shot, Tracker, Trail, TrailError, TrailMap, Trailing, Worst, axis_allowance, longest_exposure_s,
    longest_night_s, npf_full_s, npf_simple_s, rules, share_kept, share_of_frames_kept, worst_excursion,
};
