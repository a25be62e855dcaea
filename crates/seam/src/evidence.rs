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
    /// What is known of single pixels from where the camera looked.
    pub places: Option<&'a Places>,
}

/// What is known of the land picture's pixels from where the camera looked and when.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Places {
    width: usize,
    height: usize,
    marks: Vec<u8>,
}

const TRAIL: u8 = 1;
const BELOW: u8 = 2;

impl Places {
    /// Nothing known yet.
    pub fn new(width: usize, height: usize) -> Self {
        Self {
            width,
            height,
            marks: vec![0; width * height],
        }
    }

    /// A star that the tracked frames show passed over the pixel while the fixed frames were taken; off the picture is
    /// nothing done.
    pub fn add_trail(&mut self, x: i64, y: i64) {
        let inside = |v: i64, n: usize| usize::try_from(v).ok().filter(|v| *v < n);
        if let (Some(x), Some(y)) = (inside(x, self.width), inside(y, self.height)) {
            self.marks[y * self.width + x] |= TRAIL;
        }
    }

    /// Names the pixels that lie below the horizon, where no sky can be.
    pub fn set_below(&mut self, below: impl Fn(usize, usize) -> bool + Sync) {
        use rayon::prelude::*;
        let width = self.width.max(1);
        self.marks.par_chunks_mut(width).enumerate().for_each(|(y, row)| {
            row.iter_mut()
                .enumerate()
                .filter(|(x, _)| below(*x, y))
                .for_each(|(_, mark)| *mark |= BELOW);
        });
    }

    /// All marks, for telling whether two are the same.
    pub fn bytes(&self) -> &[u8] {
        &self.marks
    }

    /// Whether a star passed.
    pub fn trail(&self, x: usize, y: usize) -> bool {
        self.marks[y * self.width + x] & TRAIL != 0
    }

    /// Whether the pixel lies below the horizon.
    pub fn below(&self, x: usize, y: usize) -> bool {
        self.marks[y * self.width + x] & BELOW != 0
    }
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
            places: None,
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
        if let Some(places) = self.places {
            SeamError::check_size("marks of places", size, (places.width, places.height))?;
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
