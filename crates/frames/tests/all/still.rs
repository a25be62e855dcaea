//! A world without files for what works on decoded frames.

#![allow(clippy::unwrap_used, reason = "a literal")]

use std::path::Path;
use std::sync::atomic::AtomicBool;

use nightloom_outing::World;
use nightloom_raster::{DecodeError, DecodeOptions, Frame, FrameMeta, Limits, decode_here_with};
use nightloom_sky::Instant;

/// Decodes in this process; the clock runs from its making.
pub(crate) struct Still {
    stop: AtomicBool,
    start: std::time::Instant,
}

impl Still {
    pub(crate) fn new() -> Self {
        Self {
            stop: AtomicBool::new(false),
            start: std::time::Instant::now(),
        }
    }
}

impl World for Still {
    fn now(&self) -> Instant {
        "2026-08-12T22:00:00Z".parse().unwrap()
    }
    fn seconds(&self) -> f64 {
        self.start.elapsed().as_secs_f64()
    }
    fn cancelled(&self) -> &AtomicBool {
        &self.stop
    }
    fn decode(&self, path: &Path, options: &DecodeOptions) -> Result<Frame, DecodeError> {
        decode_here_with(path, options, &Limits::default())
    }
    fn meta(&self, _path: &Path) -> Result<FrameMeta, DecodeError> {
        Ok(FrameMeta::default())
    }
}
