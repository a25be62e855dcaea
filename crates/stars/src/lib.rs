//! Stars in one frame and between frames: background, detection, shape, land, matching,
//! registration through the lens, identification against the catalogue, quality.
//!
//! Everything here works on plain planes of linear values (1.0 is saturation) and lists of
//! stars; nothing reads or writes a file. The same input gives the same result on any number of
//! threads.
//!
//! The usual way through: [`measure`] each frame, [`register`] the set, [`judge`] the frames by
//! their [`FrameQuality`], and [`Registration::map`] each pixel of the picture into each frame.

mod airpath;
mod aperture;
mod asterisms;
mod attitude;
pub mod axis;
mod background;
mod blends;
mod blind;
mod bundle;
mod cells;
mod components;
mod detect;
mod detect_settings;
mod faint;
mod faint_lines;
mod falloff;
mod field;
mod filter;
mod fit;
mod green;
mod grid;
mod identify;
mod land;
mod land_finder;
mod levels;
mod line;
mod matching;
mod near;
mod peaks;
mod photometry;
mod points;
mod pose;
mod profile;
mod quality;
mod radon;
mod register;
pub mod shape;
mod sphere;
mod spot;
mod streaks;
mod trails;
mod triangles;

pub use airpath::AirPath;
pub use background::{Background, BackgroundSettings};
pub use blind::{BlindIdentification, BlindSettings, identify_again, identify_blind, identify_blind_unless};
pub use detect::measure;
pub use detect_settings::{DetectSettings, Trails};
pub use falloff::{
    Falloff, FalloffFrame, FalloffSettings, FalloffStar, NoFalloff, estimate_falloff, falloff_stars,
};
pub use field::{Field, Star};
pub use green::measure_green;
pub use identify::{Identification, IdentifySettings, identify, identify_unless};
pub use land::{LandFinderSettings, LandMask};
pub use matching::{FieldMatch, MatchSettings, match_fields, match_fields_unless};
pub use photometry::{
    LightInput, LightMiss, NoPhotometry, Overhead, Photometry, SkyLight, SkyMap, SkySpot, photometry,
};
pub use quality::{Fault, FrameQuality, JudgeSettings, Verdict, judge};
pub use register::{
    FrameRegistration, Ground, RegisterSettings, Registration, Residual, about_middle, register,
    register_from_ground, register_from_ground_unless, register_unless,
};
pub use streaks::{Streak, StreakKind};

/// Asked again and again in long work, which ends soon once it says so.
pub type Stop<'a> = &'a (dyn Fn() -> bool + Sync);
