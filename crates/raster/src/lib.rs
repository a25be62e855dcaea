//! Pixels and the files they come from and go to. Knows nothing of the sky.

pub mod atomic;
mod brightness;
mod cfa;
pub mod colour;
mod damage;
mod decode;
mod demosaic;
mod distance;
mod frame;
mod half;
pub mod icc;
mod plane;
mod regular;
pub mod resize;
mod system;
mod wall;
pub mod workfile;
pub mod write;

pub use cfa::Cfa;
pub use damage::{Damage, DamageKind, find_damage};
pub use decode::{
    DecodeError, DecodeOptions, Evidence, FitsRows, INPUT_FORMATS, InputFormat, Limits, decode_here,
    decode_here_with, is_frame_path, read_meta,
};
pub use demosaic::{Directions, demosaic, demosaic_balanced, demosaic_sky, demosaic_with};
pub use distance::{DISTANCE_UNIT, distances};
pub use frame::{CameraColour, FAR_M, Frame, FrameMeta, Levels, Mosaic, Pixels};
pub use half::{from_half, round_to_half, to_half};
pub use plane::{Plane, Rgb};
pub use regular::{MOST_TEXT_BYTES, open_regular, read_regular, read_text};
pub use resize::{resize_area, resize_area_plane};
pub use wall::{Wall, child_main};
pub use workfile::{WorkFile, WorkFileError, WorkShape, WorkValues};
