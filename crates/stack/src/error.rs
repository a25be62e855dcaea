//! What can go wrong, each a sentence that says what to do.

use std::io;

/// Why no master frame came out.
#[derive(Debug, thiserror::Error)]
pub enum MasterError {
    /// No frames were given.
    #[error("a master frame needs at least one frame, none was given: add frames or leave the master out")]
    Empty,
    /// Frames of different sizes.
    #[error(
        "calibration frame {index} is {got:?} pixels where the first is {expected:?}: use frames of one camera and one setting"
    )]
    Size {
        /// Which frame, counted from 0.
        index: usize,
        /// Size of the first frame.
        expected: (usize, usize),
        /// Size of this one.
        got: (usize, usize),
    },
    /// A flat whose level is not above zero.
    #[error(
        "flat frame {index} has a median of {median}, which is not above zero: it is too dark to divide by, leave it out"
    )]
    DarkFlat {
        /// Which frame, counted from 0.
        index: usize,
        /// Its median, 1 at saturation.
        median: f32,
    },
    /// A frame could not be read.
    #[error("calibration frame {index} could not be read: {source}")]
    Read {
        /// Which frame, counted from 0.
        index: usize,
        /// The cause.
        source: io::Error,
    },
}

/// Why a frame could not be calibrated.
#[derive(Debug, thiserror::Error, PartialEq, Eq)]
pub enum CalibrationError {
    /// A master of another size.
    #[error(
        "the master {which} is {got:?} pixels and the frame {expected:?}: calibration frames must come from the same camera at full size"
    )]
    Size {
        /// "bias", "dark" or "flat".
        which: &'static str,
        /// Size of the frame.
        expected: (usize, usize),
        /// Size of the master.
        got: (usize, usize),
    },
}

/// Why a stack did not come out.
#[derive(Debug, thiserror::Error)]
pub enum CombineError {
    /// No frames were given.
    #[error("a stack needs at least one frame, none was given")]
    Empty,
    /// A frame is not colour.
    #[error("frame {index} has {planes} planes where 3 (red, green, blue) are needed: demosaic it first")]
    Planes {
        /// Which input, counted from 0.
        index: usize,
        /// Planes it has.
        planes: usize,
    },
    /// An unmapped frame that is not of the canvas's size.
    #[error(
        "frame {index} is {got:?} pixels and is laid down unmoved on a canvas of {expected:?}: give it a mapping or make the sizes equal"
    )]
    Size {
        /// Which input, counted from 0.
        index: usize,
        /// The canvas.
        expected: (usize, usize),
        /// The frame.
        got: (usize, usize),
    },
    /// The work was called off.
    #[error("stacking was cancelled")]
    Cancelled,
    /// A frame could not be read.
    #[error("frame {index} could not be read while stacking: {source}")]
    Read {
        /// Which input, counted from 0.
        index: usize,
        /// The cause.
        source: io::Error,
    },
}

/// Why no background model came out.
#[derive(Debug, thiserror::Error, PartialEq, Eq)]
pub enum BackgroundError {
    /// Too little usable sky.
    #[error(
        "the background needs at least {needed} mesh cells of open sky and {got} were found: mask less or use a smaller mesh"
    )]
    TooLittleSky {
        /// Cells needed.
        needed: usize,
        /// Cells found.
        got: usize,
    },
}

/// Why no colour balance came out.
#[derive(Debug, thiserror::Error, PartialEq, Eq)]
pub enum ColourError {
    /// Too few stars.
    #[error(
        "colour by the stars needs at least {needed} stars with light in all three channels and {got} were given: keep the camera's white balance"
    )]
    TooFewStars {
        /// Stars needed.
        needed: usize,
        /// Usable stars given.
        got: usize,
    },
}
