//! Why a frame's stars look as they do.
//!
//! [`inspect`] takes the figures of one frame: how the stars' second moments change over it (motion as
//! one rotation of the camera against the sky, growth of width towards the corners, tilt), one-sided stars, the path the
//! image took during the exposure, doubled stars, the profile's wings and hollow, exposure. [`diagnose`]
//! turns them, with what is told of the night, into causes in order of likelihood.

mod coma;
mod doubled;
mod exposure;
mod growth;
mod line;
mod motion;
mod patchy;
mod path;
mod profile;
mod sample;
mod stamp;
mod third;
mod told;
mod veil;
mod verdict;
mod weigh;
mod words;

use nalgebra::Vector3;
use nightloom_fit::median_of;
use nightloom_optics::Lens;
use nightloom_raster::Plane;

use nightloom_stars::{Background, BackgroundSettings, Field};

pub use coma::Coma;
pub use doubled::Doubled;
pub use exposure::ExposureLook;
pub use growth::Growth;
pub use motion::{Motion, Turn};
pub use patchy::{Patchiness, patchiness};
pub use path::PathLook;
pub use profile::Profile;
pub use sample::ShapeSample;
pub use told::{MoonTold, NightTold};
pub use veil::{Patches, SkyStar, Veil, veil};
pub use verdict::{Cause, CauseFound, Diagnosis};
pub use weigh::{SHARP_PX, diagnose};

/// The lens and the pole as far as they are known.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct View {
    /// The lens; a guess serves where it is not known, as shapes change slowly over a frame.
    pub lens: Lens,
    /// Whether the lens's focal length is known, so that angles are.
    pub scaled: bool,
    /// The celestial north pole in the camera frame, where the frame was identified.
    pub pole: Option<Vector3<f64>>,
}

/// What one frame's pixels tell of its stars' shapes.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct Inspection {
    /// Stars found in the frame.
    pub stars: usize,
    /// Part of the frame that is sky, 0 to 1.
    pub sky_fraction: f64,
    /// Cloud by the frame itself.
    pub patches: Patches,
    /// Stars whose shapes were taken.
    pub shapes: usize,
    /// Width at half maximum across the motion, at the middle of the frame, pixels; 0 without shapes.
    pub width_px: f64,
    /// Median elongation of the shapes taken; 1 without.
    pub elongation: f64,
    /// How the image moved.
    pub motion: Motion,
    /// How the width changes over the frame.
    pub growth: Growth,
    /// How one-sided the stars are.
    pub coma: Coma,
    /// The path of the image during the exposure.
    pub path: PathLook,
    /// Stars seen twice.
    pub doubled: Option<Doubled>,
    /// The profile of a typical star.
    pub profile: Profile,
    /// Levels.
    pub exposure: ExposureLook,
}

impl Inspection {
    /// How far the axis is off the pole, at least, if the drift in `exposure_s` seconds comes from that;
    /// arcminutes. `None` without identification or exposure.
    pub fn axis_arcmin(&self, exposure_s: Option<f64>) -> Option<f64> {
        words::axis_arcmin(self.motion.turn.as_ref(), exposure_s)
    }
}

/// How the image moved over the sensor, by the stars' shapes alone; see [`inspect`].
pub fn drift(image: &Plane, field: &Field, view: &View) -> Motion {
    motion::fit(&sample::samples(image, field), field, view)
}

/// Takes the figures of a frame that [`nightloom_stars::measure`] has measured.
///
/// `image` is the same plane: linear, 1.0 at saturation. About 50 ms for 24 megapixels.
pub fn inspect(image: &Plane, field: &Field, view: &View) -> Inspection {
    let samples = sample::samples(image, field);
    let motion = motion::fit(&samples, field, view);
    let background = Background::sampled(image, None, &BackgroundSettings::default(), 4);
    let growth = growth::fit(&samples, field, &motion);
    let path = path::look(image, field, &samples, &motion);
    let width_px = if samples.is_empty() { 0.0 } else { growth.middle_px };
    Inspection {
        stars: field.stars.len(),
        sky_fraction: field.land.sky_fraction(),
        patches: veil::patches(field, |x, y| f64::from(background.level_at(x, y))),
        shapes: samples.len(),
        width_px,
        elongation: median_of(samples.iter().map(ShapeSample::elongation)).unwrap_or(1.0),
        coma: coma::fit(&samples, field),
        path,
        doubled: doubled::find(field),
        profile: profile::measure(image, field, &samples, width_px),
        exposure: exposure::look(image, field),
        motion,
        growth,
    }
}
