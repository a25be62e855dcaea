//! The photographer's own sensor, measured from flats, darks and biases.
//!
//! Frames are told apart by their level, grouped by camera and ISO, paired by exposure and level, and
//! measured pair by pair; never more than three are in memory.

mod frames;
mod measure;
mod sort;
mod words;

use std::path::PathBuf;

use nightloom_optics::sensor::Measured;
use serde::Serialize;

use frames::{Seen, look};
use nightloom_outing::World;

/// Why nothing could be measured at all.
#[derive(Debug, thiserror::Error)]
pub enum SensorError {
    /// A file or folder that was named cannot be read.
    #[error("{} cannot be read ({reason}); check the name", path.display())]
    Unreadable {
        /// What was named.
        path: PathBuf,
        /// What the system said.
        reason: String,
    },
    /// Nothing to work with.
    #[error(
        "no frames were found; name the raw files of at least two darks or biases and two flats of one \
         exposure, or a folder that holds them"
    )]
    NoFrames,
    /// The person asked to stop.
    #[error("stopped on request; nothing was written")]
    Cancelled,
}

/// What the frames tell, for each camera and ISO among them.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct SensorReport {
    /// One entry per camera, frame size and ISO.
    pub sensors: Vec<SensorAtIso>,
    /// Frames that could not serve.
    pub left_out: Vec<UnusedFrame>,
}

impl SensorReport {
    /// Whether the gain of at least one sensor could be measured.
    pub fn measured(&self) -> bool {
        self.sensors.iter().any(|s| s.gain_e_per_dn.is_some())
    }
}

/// A frame that could not serve.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct UnusedFrame {
    /// The file.
    pub path: PathBuf,
    /// Why, a sentence's end.
    pub reason: String,
}

/// One sensor at one ISO. DN is a number of the file; every error is one standard error.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct SensorAtIso {
    /// Camera, where the files tell.
    pub camera: Option<String>,
    /// ISO, where the files tell.
    pub iso: Option<f64>,
    /// Frame size, pixels.
    pub size_px: [usize; 2],
    /// Electrons per DN.
    pub gain_e_per_dn: Option<Measured>,
    /// Read noise, electrons.
    pub read_noise_e: Option<Measured>,
    /// Electrons at saturation.
    pub full_well_e: Option<Measured>,
    /// Saturation above black.
    pub saturation: Saturation,
    /// Dark current.
    pub dark: Option<DarkCurrentReport>,
    /// Hot pixels.
    pub hot: Option<HotReport>,
    /// Gain, read noise and full well by place in the cell of filters; empty without filters.
    pub channels: Vec<Channel>,
    /// χ² per degree of freedom of the line noise against level, near 1 when all is well.
    pub chi2_per_freedom: Option<f64>,
    /// What was used.
    pub frames: FramesUsed,
    /// What is missing for the figures that are not there: sentences.
    pub missing: Vec<String>,
    /// What else is worth knowing: sentences.
    pub notes: Vec<String>,
}

/// Where the numbers end.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Saturation {
    /// DN above black.
    pub level_dn: f64,
    /// Whether frames among these pile up there; else it is what the file says.
    pub seen: bool,
}

/// Dark current at the temperature the darks had.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct DarkCurrentReport {
    /// Electrons per second and pixel, hot pixels left out.
    pub e_per_s: Measured,
    /// Whether it comes from the noise, because the camera takes the level off by itself.
    pub from_noise: bool,
    /// Longest dark, seconds.
    pub longest_s: f64,
}

/// Hot pixels: those that stand eight σ above their surroundings in both of two long darks.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct HotReport {
    /// How many, with the root of that as its error.
    pub count: Measured,
    /// Share of all pixels.
    pub share: f64,
    /// Exposure of the darks, seconds.
    pub exposure_s: f64,
}

/// One place in the cell of filters.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Channel {
    /// R, G1, G2 or B.
    pub name: String,
    /// Electrons per DN.
    pub gain_e_per_dn: Measured,
    /// Read noise, electrons.
    pub read_noise_e: Measured,
    /// Electrons at saturation.
    pub full_well_e: Measured,
}

/// How many frames of each kind there were, and how many pairs they made.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
pub struct FramesUsed {
    /// Lit frames.
    pub flats: usize,
    /// Unlit frames of the shortest exposure.
    pub biases: usize,
    /// Unlit frames of longer exposures.
    pub darks: usize,
    /// Pairs of flats of one exposure and level.
    pub flat_pairs: usize,
    /// Pairs of unlit frames of the shortest exposure.
    pub bias_pairs: usize,
}

/// Measures the sensor from frames and folders of frames, in any order and mixture.
///
/// # Errors
/// A name that cannot be read, no frames at all, a request to stop. What is wrong with single frames
/// is in the report, and so is what is missing.
pub fn measure_sensor(named: &[PathBuf], world: &dyn World) -> Result<SensorReport, SensorError> {
    let paths = frames::expand(named)?;
    if paths.is_empty() {
        return Err(SensorError::NoFrames);
    }
    let mut left_out = Vec::new();
    let mut seen: Vec<Seen> = Vec::new();
    for (k, path) in paths.iter().enumerate() {
        frames::show(world, "Looking at the frames", k, paths.len(), path)?;
        match look(path, world) {
            Ok(frame) => seen.push(frame),
            Err(reason) => left_out.push(UnusedFrame {
                path: path.clone(),
                reason,
            }),
        }
    }
    let groups = sort::by_sensor(seen);
    let mut sensors = Vec::with_capacity(groups.len());
    for group in groups {
        let sorted = sort::sort(group, &mut left_out);
        sensors.push(measure::measure(&sorted, world, &mut left_out)?);
    }
    Ok(SensorReport { sensors, left_out })
}
