//! The complete, validated settings of one outing. The pipeline sees nothing else.

use std::collections::BTreeMap;

use jiff::civil::Date;
use nightloom_optics::Projection;
use nightloom_raster::{Cfa, DecodeOptions, FitsRows};
use nightloom_sky::{Instant, Site};
use serde::Serialize;

use crate::role::Role;

/// Everything that `outing.toml` can say, complete and possible.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Settings {
    /// The outing itself.
    pub outing: OutingSettings,
    /// Where it was.
    pub site: SiteSettings,
    /// With which camera and lens.
    pub rig: RigSettings,
    /// What the camera's clock is worth.
    pub camera_clock: ClockSettings,
    /// The sky stack.
    pub sky: SkySettings,
    /// The land stack.
    pub land: LandSettings,
    /// Where land and sky meet.
    pub seam: SeamSettings,
    /// The finished picture.
    pub picture: PictureSettings,
    /// What its files say and which there are.
    #[serde(skip_serializing_if = "FilesSettings::is_usual")]
    pub files: FilesSettings,
    /// What was said of single frames, by path inside the outing with `/`.
    pub frames: BTreeMap<String, FrameOverride>,
}

/// `[outing]`.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct OutingSettings {
    /// A name for reports.
    pub name: Option<String>,
    /// Anything worth remembering.
    pub note: Option<String>,
    /// The date on which the night begins.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub evening: Option<Date>,
    /// What the picture is about.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub subject: Option<String>,
}

/// `[site]`.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct SiteSettings {
    /// The place, once both latitude and longitude are given.
    pub place: Option<Site>,
    /// IANA name of the time zone, for showing and for a camera clock of unknown offset.
    pub zone: Option<String>,
    /// A CSV with the skyline, from the outing's folder; `skyline.csv` there when not given.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub skyline: Option<String>,
}

/// `[rig]`.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct RigSettings {
    /// Camera, for the record.
    pub camera: Option<String>,
    /// Lens, for the record.
    pub lens: Option<String>,
    /// Focal length in millimetres, instead of what the files say.
    pub focal_mm: Option<f64>,
    /// Pixel pitch in micrometres, instead of what the files say.
    pub pixel_um: Option<f64>,
    /// Width and height of the sensor in millimetres, or the name of its format.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sensor: Option<String>,
    /// The lens's projection before distortion.
    pub projection: Projection,
    /// Tracker, for the record.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub tracker: Option<String>,
    /// Amplitude of the tracker's periodic error, arcseconds: half of peak to peak.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub gear_error_arcsec: Option<f64>,
    /// Period of that error, seconds.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub gear_period_s: Option<f64>,
    /// Sky frames on one charge of the battery.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub frames_per_charge: Option<f64>,
    /// What a frame takes on the card, megabytes.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub mb_per_frame: Option<f64>,
    /// The filter pattern of FITS files that do not tell it.
    pub fits_cfa: Option<Cfa>,
    /// The row order of FITS files, instead of what they tell.
    pub fits_rows: Option<FitsRows>,
    /// The level of no light in FITS files, in their own numbers.
    pub fits_black: Option<f64>,
    /// The level of saturation in FITS files, in their own numbers.
    pub fits_white: Option<f64>,
}

impl RigSettings {
    /// What decoding needs to know beside the file.
    pub fn decode_options(&self) -> DecodeOptions {
        DecodeOptions {
            fits_cfa: self.fits_cfa,
            fits_rows: self.fits_rows,
            fits_black: self.fits_black,
            fits_white: self.fits_white,
            damaged_too: false,
            orientation: None,
        }
    }
}

/// `[camera_clock]`.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct ClockSettings {
    /// The offset of the camera's clock from UTC in seconds, east positive; goes before what the files say.
    pub offset_s: Option<i32>,
    /// How far the clock was ahead of the true time, seconds.
    pub error_s: f64,
}

/// How outliers among the sky frames are rejected.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Rejection {
    /// By the number of frames.
    #[default]
    Auto,
    /// None: the plain weighted mean.
    None,
}

/// `[sky]`.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct SkySettings {
    /// Rejection of satellites, aircraft and hot pixels.
    pub rejection: Rejection,
    /// A sky frame with fewer stars than this is left out.
    pub min_stars: usize,
    /// A sky frame whose stars' median length over width is above this is left out.
    pub max_elongation: f64,
    /// The frame the others are registered to, by path; the best one when not given.
    pub reference: Option<String>,
    /// The line of `outing.toml` that names it; not part of the settings' identity.
    #[serde(skip)]
    pub reference_line: usize,
}

impl Default for SkySettings {
    fn default() -> Self {
        Self {
            rejection: Rejection::Auto,
            min_stars: 12,
            max_elongation: 2.0,
            reference: None,
            reference_line: 0,
        }
    }
}

/// Which land frames become the land.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum LandUse {
    /// Those of the night; all where there are none.
    #[default]
    Night,
    /// Those of twilight.
    Twilight,
    /// Those of one setting, as the report names it: “60 s, f/2.8, ISO 1600”.
    Setting(String),
}

impl LandUse {
    /// From what was written.
    pub fn of(words: &str) -> Self {
        match words.trim().to_lowercase().as_str() {
            "night" | "" => Self::Night,
            "twilight" => Self::Twilight,
            _ => Self::Setting(words.trim().to_owned()),
        }
    }
}

/// `[land]`.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct LandSettings {
    /// Which frames are used.
    pub use_only: LandUse,
    /// Whether land of twilight is brought to the night's colour and brightness.
    pub match_night: bool,
    /// Whether land frames are shifted onto each other if the tripod moved.
    pub register: bool,
    /// Whether trails and passing lights are rejected among land frames.
    pub reject: bool,
}

impl Default for LandSettings {
    fn default() -> Self {
        Self {
            use_only: LandUse::Night,
            match_night: false,
            register: true,
            reject: true,
        }
    }
}

/// `[seam]`.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct SeamSettings {
    /// The moment whose sky is shown over the ridge; the one that the tracked frames cover best when not given.
    pub instant: Option<Instant>,
    /// How far the sky is moved from where it stood, pixels right and down. Recorded in the report.
    pub offset_px: [f64; 2],
}

/// What the colours are balanced by.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum White {
    /// By the stars.
    #[default]
    Stars,
    /// As the camera recorded it.
    AsShot,
}

/// What a picture's development starts from.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Look {
    /// A night that reads well on screen and paper.
    #[default]
    Natural,
    /// Darker, with more contrast.
    Deep,
    /// Lighter, with less.
    Bright,
}

/// What is kept of the full canvas.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Crop {
    /// What tracked frames cover, and the land under it.
    #[default]
    Covered,
    /// Everything.
    All,
    /// `[left, top, right, bottom]` in pixels of the full canvas; right and bottom are the first left out.
    Box([usize; 4]),
}

/// `[picture]`.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PictureSettings {
    /// What the rest starts from.
    pub look: Look,
    /// Contrast of the sky's large forms: 1 as the look has it, 0 none.
    pub midtones: f64,
    /// How far land that is darker than the look wants is raised, 0 to 1.
    pub land_lift: f64,
    /// How much of the known noise is taken: 1 as usual, 0 nothing.
    pub noise_reduction: f64,
    /// How much of the sky's background gradient is taken away, 0 none to 1 all.
    pub gradient: f64,
    /// How strongly the dark tones are lifted, 0 hardly to 1 strongly.
    pub stretch: f64,
    /// Colourfulness: 1 as it is, 0 grey, 2 doubled.
    pub saturation: f64,
    /// White balance.
    pub white: White,
    /// The land's brightness against what was recorded, in stops.
    pub land_stops: f64,
    /// The sky's brightness against what the look and stretch make of it, in stops.
    pub sky_stops: f64,
    /// How much of the curve's bend about the sky's level there is: 1 as the look has it.
    pub contrast: f64,
    /// By what share of the sky's light black lies higher than usual.
    pub black_point: f64,
    /// By how many stops display white lies higher than usual.
    pub white_point: f64,
    /// How much warmer the light is shown, mired.
    pub temperature: f64,
    /// How much greener it is shown, thousandths of Duv.
    pub tint: f64,
    /// How wide stars are shown: 1 as recorded.
    pub star_size: f64,
    /// Colourfulness of the stars alone: 1 as recorded, 0 white.
    pub star_colour: f64,
    /// By how many stops the picture's corners are shown darker than its middle.
    pub vignette: f64,
    /// By how many degrees the picture is turned clockwise to be level.
    pub level_deg: f64,
    /// Whether the canvas grows where the sky reaches beyond the land frame.
    pub grow: bool,
    /// What is kept of the full canvas.
    pub crop: Crop,
}

impl Default for PictureSettings {
    fn default() -> Self {
        Self {
            look: Look::Natural,
            midtones: 1.0,
            land_lift: 1.0,
            noise_reduction: 1.0,
            gradient: 0.7,
            stretch: 0.5,
            saturation: 1.0,
            white: White::Stars,
            land_stops: 0.0,
            sky_stops: 0.0,
            contrast: 1.0,
            black_point: 0.0,
            white_point: 0.0,
            temperature: 0.0,
            tint: 0.0,
            star_size: 1.0,
            star_colour: 1.0,
            vignette: 0.0,
            level_deg: 0.0,
            grow: true,
            crop: Crop::Covered,
        }
    }
}

/// `[files]`, and what `[site]` says of them.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct FilesSettings {
    /// Who made the picture.
    pub creator: Option<String>,
    /// Whose it is, in words.
    pub copyright: Option<String>,
    /// Whether the site is written into the files, `[site] share`.
    pub share_site: bool,
    /// Whether the layers are written as pages of one TIFF too.
    pub layer_pages: bool,
    /// Whether they are written as a TIFF each.
    pub layer_files: bool,
    /// Whether the stars have a layer of their own in all of these.
    pub star_layer: bool,
}

impl FilesSettings {
    fn is_usual(&self) -> bool {
        *self == Self::default()
    }
}

/// What `[frames]` says of one frame.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct FrameOverride {
    /// The role it is to play.
    pub role: Option<Role>,
    /// `false` leaves it out; `true` keeps it in against a check's verdict.
    pub used: Option<bool>,
    /// The line of `outing.toml` that says so; not part of the settings' identity.
    #[serde(skip)]
    pub line: usize,
}
