//! What is wrong with a frame, and what to do next.
//!
//! A frame is measured and identified, its stars' shapes are read, and what is known of the night (place,
//! time, moon, camera) is laid beside them; [`crate::cause`] weighs the causes.

mod focus;
mod look;
mod night;
mod set;
mod standing;
mod trend;

use std::path::{Path, PathBuf};

use crate::cause::{Cause, CauseFound, Diagnosis, Inspection, SHARP_PX, Veil, diagnose, inspect};
use nightloom_raster::Frame;
use nightloom_sky::{Instant, Site};
use nightloom_stars::FrameQuality;

use crate::SingleError;
use crate::single::{LensTold, Lenses, SkyPlace, decoded};
use nightloom_outing::World;

pub use set::judge_together;
pub use standing::Standing;
pub use trend::{Trend, Trends, trends};

/// What is told beforehand of frames to be checked.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct CheckOptions {
    /// Where the camera stood; else what `outing.toml` or the file says.
    pub site: Option<Site>,
    /// The lens, where the file does not tell it.
    pub lens: LensTold,
    /// Width of this lens's sharp stars, pixels.
    pub sharp_px: Option<f64>,
    /// A file of lenses, as for [`crate::FrameTold`].
    pub lenses: Option<PathBuf>,
}

/// What is said of one frame.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct FrameCheck {
    /// The frame's name as it was given.
    pub frame: String,
    /// Whether stars could be judged at all.
    pub measured: bool,
    /// The likeliest first; empty where the file could not be read.
    pub causes: Vec<CauseFound>,
    /// The next thing to do.
    pub next: String,
    /// Brightness of the sky at the middle, magnitudes per square arcsecond, where it could be measured.
    pub sky_mag_arcsec2: Option<f64>,
    /// Width of the stars at half maximum, pixels; 0 without stars.
    pub fwhm_px: f64,
    /// Median elongation; 1 without stars.
    pub elongation: f64,
    /// Typical length of the stars' motion, pixels.
    pub drift_px: f64,
    /// Its direction at the middle, degrees from right towards down, −90 to 90.
    pub drift_deg: f64,
    /// Stars found.
    pub stars: usize,
    /// Part of the frame that is land.
    pub land_fraction: f64,
    /// Level of the sky, 1 at saturation.
    pub sky_level: f64,
    /// What the catalogue's stars tell of the sky's clearness, where identified.
    pub veil: Option<Veil>,
    /// Magnitude of a star that gives one saturated pixel's worth of light, where identified.
    pub zero_point: Option<f64>,
    /// Exposure, seconds; ISO; relative aperture: what starlight is compared with.
    pub settings: [Option<f64>; 3],
    /// Of the picture's middle, where identified.
    pub centre: Option<SkyPlace>,
    /// Arcseconds per pixel at the middle, where the lens is known.
    pub scale_arcsec_px: Option<f64>,
    /// How far the axis is off the pole, at least, if the drift comes from that; arcminutes.
    pub axis_arcmin: Option<f64>,
    /// Middle of the exposure, where known.
    pub taken: Option<Instant>,
    /// Why the file could not be read.
    pub error: Option<String>,
    /// All figures taken.
    pub figures: Option<Inspection>,
    /// Time of the work, the decoding left out.
    pub seconds: f64,
    /// What the set's judge, which is the build's, goes by.
    #[serde(skip)]
    pub quality: Option<FrameQuality>,
}

impl FrameCheck {
    /// The likeliest cause; `None` where the file could not be read.
    pub fn first(&self) -> Option<Cause> {
        self.causes.first().map(|c| c.cause)
    }

    /// Starlight in magnitudes, more is brighter, comparable between frames of one lens: the zero point
    /// with exposure, ISO and aperture taken out.
    pub(crate) fn starlight_mag(&self) -> Option<f64> {
        let [exposure, iso, aperture] = self.settings;
        let light = exposure? * iso.unwrap_or(100.0) / aperture.unwrap_or(1.0).powi(2);
        (light > 0.0)
            .then(|| self.zero_point.map(|z| z - 2.5 * light.log10()))
            .flatten()
    }

    /// A file that could not be read.
    pub fn unreadable(frame: String, why: String) -> Self {
        Self {
            frame,
            measured: false,
            causes: Vec::new(),
            next: "Copy the file again, or leave it out.".into(),
            sky_mag_arcsec2: None,
            fwhm_px: 0.0,
            elongation: 1.0,
            drift_px: 0.0,
            drift_deg: 0.0,
            stars: 0,
            land_fraction: 0.0,
            sky_level: 0.0,
            veil: None,
            zero_point: None,
            settings: [None; 3],
            centre: None,
            scale_arcsec_px: None,
            axis_arcmin: None,
            taken: None,
            error: Some(why),
            figures: None,
            seconds: 0.0,
            quality: None,
        }
    }
}

/// Checks one file.
///
/// # Errors
/// [`SingleError::Unreadable`], [`SingleError::Told`].
pub fn check_frame(
    path: &Path,
    options: &CheckOptions,
    world: &dyn World,
) -> Result<FrameCheck, SingleError> {
    crate::single::check(&options.lens)?;
    let mut lenses = options.lenses.as_deref().map(Lenses::read).transpose()?;
    let frame = decoded(path, world)?;
    let standing = standing::standing(path, options.site, &frame.meta, world);
    let (check, seen) = checked(
        &path.display().to_string(),
        &frame,
        &standing,
        options,
        lenses.as_ref(),
        world,
    );
    if let (Some(lenses), Some(found)) = (&mut lenses, &seen.found) {
        lenses.learn(&frame.meta, seen.size(), found)?;
    }
    Ok(check)
}

/// Checks one file; that it cannot be read is what is said of it then.
///
/// # Errors
/// [`SingleError::Told`]; a bad file is no error here.
pub fn check_or_tell(
    path: &Path,
    options: &CheckOptions,
    world: &dyn World,
) -> Result<FrameCheck, SingleError> {
    match check_frame(path, options, world) {
        Err(SingleError::Unreadable { source, .. }) => Ok(FrameCheck::unreadable(
            path.display().to_string(),
            source.to_string(),
        )),
        other => other,
    }
}

/// Checks several files; one that cannot be read is told and the rest goes on. A frame whose stars are fainter than
/// those of the frames before and after it is told to be clouded, and where the focus ring was turned between frames, which
/// way to go on.
///
/// # Errors
/// [`SingleError::Told`]; a bad file is no error here.
pub fn check_frames(
    paths: &[std::path::PathBuf],
    options: &CheckOptions,
    world: &dyn World,
) -> Result<Vec<FrameCheck>, SingleError> {
    let mut checks = paths
        .iter()
        .take_while(|_| !world.is_cancelled())
        .map(|path| check_or_tell(path, options, world))
        .collect::<Result<Vec<_>, _>>()?;
    judge_together(&mut checks);
    for i in 1..checks.len() {
        let (before, rest) = checks.split_at_mut(i);
        tell_focus(&mut rest[0], before.iter(), options.sharp_px);
    }
    Ok(checks)
}

/// Tells which way to turn the focus in the next step of a frame that is out of it, by the frames `before` it, oldest
/// first. `sharp_px` is the width of this lens's sharp stars, where it is known.
pub(crate) fn tell_focus<'a>(
    check: &mut FrameCheck,
    before: impl DoubleEndedIterator<Item = &'a FrameCheck>,
    sharp_px: Option<f64>,
) {
    focus::tell(check, before, sharp_px.unwrap_or(SHARP_PX));
}

/// Checks a decoded frame, whose place and time are `standing`.
pub fn check_pixels(
    name: &str,
    frame: &Frame,
    standing: &Standing,
    options: &CheckOptions,
    world: &dyn World,
) -> FrameCheck {
    checked(name, frame, standing, options, None, world).0
}

fn checked(
    name: &str,
    frame: &Frame,
    standing: &Standing,
    options: &CheckOptions,
    lenses: Option<&Lenses>,
    world: &dyn World,
) -> (FrameCheck, look::Look) {
    let start = world.seconds();
    let seen = look::look(frame, &options.lens, lenses, standing, world);
    let inspection = inspect(&seen.plane, &seen.field, &seen.view);
    let told = night::told(frame, &seen, standing, options);
    let small = seen.plane.width().min(seen.plane.height()) < LEAST_SIDE_PX;
    let diagnosis = if small {
        too_small(&seen)
    } else {
        diagnose(&inspection, &told)
    };
    let measured = diagnosis.measured();
    let check = FrameCheck {
        frame: name.to_owned(),
        measured,
        sky_mag_arcsec2: seen.sky_mag().filter(|_| measured),
        fwhm_px: inspection.width_px,
        elongation: inspection.elongation,
        drift_px: inspection.motion.length_px,
        drift_deg: inspection.motion.middle_deg,
        stars: inspection.stars,
        land_fraction: 1.0 - inspection.sky_fraction,
        sky_level: inspection.exposure.sky,
        veil: told.veil,
        zero_point: told.veil.and_then(|v| v.zero_point),
        settings: [frame.meta.exposure_s, frame.meta.iso, frame.meta.f_number],
        centre: seen.centre(),
        scale_arcsec_px: seen.scale_arcsec_px(),
        axis_arcmin: diagnosis
            .causes
            .iter()
            .any(|c| c.cause == Cause::AxisError)
            .then(|| inspection.axis_arcmin(told.exposure_s))
            .flatten(),
        taken: standing.middle,
        error: None,
        causes: diagnosis.causes,
        next: diagnosis.next,
        figures: Some(inspection),
        seconds: world.seconds() - start,
        quality: measured.then(|| FrameQuality::of(&seen.field, None)),
    };
    (check, seen)
}

/// Smaller pictures say nothing of stars' shapes.
const LEAST_SIDE_PX: usize = 100;

fn too_small(seen: &look::Look) -> Diagnosis {
    Diagnosis {
        causes: vec![CauseFound {
            cause: Cause::TooSmall,
            likelihood: 0.95,
            figure: format!("{} × {} pixels", seen.plane.width(), seen.plane.height()),
        }],
        next: "Name the frame at full size.".into(),
    }
}
