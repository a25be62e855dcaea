//! Calibration, warping, combining, background, colour and tone.
//!
//! Every step that touches many frames works on blocks of the canvas and reads only what a block
//! needs, so that the peak memory does not depend on the number of frames.

mod align;
mod along;
mod background;
mod blur;
mod boxes;
mod calibrate;
mod clipped;
mod colour;
mod combine;
mod dark_scale;
mod error;
mod focus;
mod frame_noise;
mod ground_light;
mod hearts;
mod hot;
mod input;
mod level;
mod mapping;
mod mask;
mod masters;
mod midtones;
mod network;
mod noise;
mod pixel_noise;
mod places;
mod polynomial;
mod radial;
mod reject;
mod resample;
mod sensor_pairs;
mod shrink;
mod source;
mod spread;
mod star_light;
mod surface;
mod tile;
mod tone;
mod tone_table;
mod trend;
mod trimmed;
mod turn;
mod unlike;
mod veiled;
mod warp;
mod wide;
mod windows;
mod worth;

pub use align::{Shift, tripod_shift};
pub use along::Run;
pub use background::{
    BackgroundModel, GradientSettings, SkyTerms, fit_background, fit_background_by, fit_smooth_sky,
};
pub use calibrate::{Calibration, CalibrationReport, Dark, calibrate};
pub use clipped::{Clipped, whiten_clipped};
pub use colour::{Neutral, NeutralBasis, NeutralSettings, neutral_by_stars, star_colour};
pub use combine::{CombineSettings, Stacked, combine};
pub use dark_scale::{DarkScale, WarmPixels};
pub use error::{BackgroundError, CalibrationError, ColourError, CombineError, MasterError};
pub use focus::{
    Breathing, FocusDetail, FocusGroup, FocusLayer, FocusStanding, FuseSettings, NoiseLine, breathing,
    focus_groups, fuse,
};
pub use frame_noise::frame_noise;
pub use ground_light::{GroundDirection, ground_light};
pub use hearts::colour_hearts;
pub use hot::{HotPixels, HotSettings, find_hot_in_frame, find_hot_pixels};
pub use input::Input;
pub use mapping::{Mapping, MappingGrid};
pub use mask::Mask;
pub use masters::{Master, MasterSettings, Normalise, flat_from_master, master};
pub use midtones::{FormGains, StarFree};
pub use noise::{background_noise, median_of};
pub use pixel_noise::PixelNoise;
pub use radial::Radial;
pub use reject::RejectSettings;
pub use resample::TurnedFrom;
pub use sensor_pairs::{
    PairPatch, Pile, PlaceLevel, Readout, lower_of_both, pair_patches, pile, place_levels, sensor_places,
};
pub use shrink::{NoiseReduction, reduce_noise};
pub use source::{Block, Source};
pub use star_light::{STAR_HALO, StarForm, StarLight, StarRow, StarWish};
pub use surface::Surface;
pub use tone::{SceneStatistics, ToneCurve, ToneSettings, ToneWish};
pub use tone_table::ToneTable;
pub use turn::{TURN_REACH, Turn};
pub use veiled::{VEIL_CELL, Veiled, lay_veiled};
pub use warp::{WarpSettings, warp};
