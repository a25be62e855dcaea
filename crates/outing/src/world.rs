//! The one door to the outside: clock, decoding, progress and cancellation.

use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};

use nightloom_raster::{DecodeError, DecodeOptions, Frame, FrameMeta};
use nightloom_sky::Instant;

/// How far one stage of the work has come.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Step<'a> {
    /// The stage's name in plain words, the same through all its reports.
    pub stage: &'a str,
    /// The part of this stage that is done, 0 to 1.
    pub done: f64,
    /// The part of the whole job that is done, 0 to 1, when known; the time left rests on it.
    pub overall: Option<f64>,
    /// What is being worked on, for a person to read; may be empty.
    pub note: &'a str,
}

/// What the pipeline needs from outside. The program brings one, the tests another.
///
/// Files of the outing are opened with `std::fs` where they are read or written whole;
/// everything that can hang, wait, differ from run to run or be shown comes through here.
pub trait World: Sync {
    /// The time now, UTC. Goes into the journal and the report's provenance, never into pixels.
    fn now(&self) -> Instant;
    /// Seconds since some fixed moment, never going back; for timing. 0 where nothing is timed.
    fn seconds(&self) -> f64 {
        0.0
    }
    /// Shows how far the work has come. Called often; must be cheap.
    fn progress(&self, _step: &Step<'_>) {}
    /// Tells the person one thing worth knowing, a whole sentence.
    fn note(&self, _line: &str) {}
    /// Set when the work is to stop as soon as it can do so safely.
    fn cancelled(&self) -> &AtomicBool;
    /// Decodes one file, walled off so that a damaged one costs no more than an error.
    ///
    /// # Errors
    /// The file's trouble in a sentence.
    fn decode(&self, path: &Path, options: &DecodeOptions) -> Result<Frame, DecodeError>;
    /// Reads what one file says of its exposure, without its pixels where the format allows.
    ///
    /// # Errors
    /// The file's trouble in a sentence.
    fn meta(&self, path: &Path) -> Result<FrameMeta, DecodeError>;
    /// The most memory this process and its children have held so far, in MiB; 0 if not known.
    fn peak_memory_mib(&self) -> f64 {
        0.0
    }
    /// The memory to stay within where the work allows, in MiB; `None` when nothing was asked.
    fn memory_mib(&self) -> Option<u64> {
        None
    }
    /// Whether the work is to stop.
    fn is_cancelled(&self) -> bool {
        self.cancelled().load(Ordering::Relaxed)
    }
}
