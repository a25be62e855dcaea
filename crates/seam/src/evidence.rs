//! What is known when land and sky are to be told apart, and the door to the caller.

use std::sync::atomic::{AtomicBool, Ordering};

use nightloom_raster::{Plane, Rgb};

use crate::SeamError;

/// How single land frames differ from each other at each pixel.
///
/// Both planes may be smaller than the canvas by any factor (they are looked up at the same
/// relative place); half or quarter size is plenty.
#[derive(Clone, Copy, Debug)]
pub struct Temporal<'a> {
    /// Mean luminance over the land frames.
    pub mean: &'a Plane,
    /// Sample variance of the luminance over the land frames (of single frames, not of the mean).
    pub variance: &'a Plane,
}

/// All that tells land from sky, on one canvas in the land camera's geometry.
#[derive(Clone, Copy, Debug)]
pub struct Evidence<'a> {
    /// Robust stack of the fixed frames, linear working colour; NaN outside the land frame.
    pub land: &'a Rgb,
    /// How many fixed frames are in `land`; below 3 its sky holds whole star trails.
    pub land_frames: usize,
    /// Differences between the fixed frames, when there are several.
    pub temporal: Option<Temporal<'a>>,
    /// Stack of the tracked frames, laid where the sky stood; NaN where none saw it.
    pub sky: Option<&'a Rgb>,
    /// Number of tracked frames that saw each pixel as clean sky.
    pub coverage: Option<&'a Plane>,
    /// Places (x, y) in canvas pixels that are certainly sky: trailed stars.
    pub stars: &'a [[f32; 2]],
}

impl<'a> Evidence<'a> {
    /// Evidence of the fixed frames alone.
    pub fn of_land(land: &'a Rgb, land_frames: usize) -> Self {
        Self {
            land,
            land_frames,
            temporal: None,
            sky: None,
            coverage: None,
            stars: &[],
        }
    }

    /// Too few frames to have rejected trailed stars.
    pub(crate) fn trails_left(&self) -> bool {
        self.land_frames < 3
    }

    pub(crate) fn check(&self) -> Result<(), SeamError> {
        let size = (self.land.width(), self.land.height());
        if size.0 == 0 || size.1 == 0 {
            return Err(SeamError::Empty { what: "land picture" });
        }
        if let Some(sky) = self.sky {
            SeamError::check_size("sky stack", size, (sky.width(), sky.height()))?;
        }
        if let Some(coverage) = self.coverage {
            SeamError::check_size("coverage map", size, (coverage.width(), coverage.height()))?;
        }
        Ok(())
    }
}

/// The caller's end of a long step: when to stop, and whom to tell how far it is.
#[derive(Clone, Copy)]
pub struct Work<'a> {
    /// Raised by the caller to stop; the step then returns [`SeamError::Cancelled`] soon.
    pub cancelled: &'a AtomicBool,
    /// Told the finished fraction, 0 to 1, now and then.
    pub progress: &'a (dyn Fn(f32) + Sync),
}

impl Work<'static> {
    /// Work nobody watches or stops.
    pub fn quiet() -> Self {
        static NEVER: AtomicBool = AtomicBool::new(false);
        Self {
            cancelled: &NEVER,
            progress: &|_| {},
        }
    }
}

impl Work<'_> {
    pub(crate) fn step(&self, fraction: f32) -> Result<(), SeamError> {
        self.check()?;
        (self.progress)(fraction);
        Ok(())
    }

    pub(crate) fn check(&self) -> Result<(), SeamError> {
        if self.cancelled.load(Ordering::Relaxed) {
            Err(SeamError::Cancelled)
        } else {
            Ok(())
        }
    }
}
