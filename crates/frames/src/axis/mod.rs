//! The tracker's axis from frames, and what to do about it.
//!
//! Frames are read, measured, identified and given their times; those of another lens, without a time or not
//! identified are left out and told; [`nightloom_stars::axis`] measures; what is left is words: which way to
//! turn, by how much, and when to stop.

mod correction;
mod drift;
mod frames;
mod one;
mod report;
mod safe;
mod words;

use std::path::PathBuf;

use nightloom_optics::polar::{AxisError, Base};
use nightloom_sky::{Air, EarthOrientation, Instant, Observer, PlaceError, Site};
use nightloom_stars::axis::{
    AxisEvent, AxisMeasurement, LeftOut, Named, Pole, axis_in_later_frame, clock_by_refraction,
    measure_axis_then,
};

pub use correction::{Correction, KnobReport, ScreenStep};
pub use drift::{DriftAsk, DriftReport, axis_by_drift};
pub use report::{
    AxisPlace, AxisReport, ErrorReport, FrameLine, LeftOutFrame, PoleReport, RateReport, TwoAnswers,
    UpdatedAxis,
};
pub use safe::Tolerance;
pub use words::{LEVEL, turn_words};

pub use nightloom_stars::axis::FrameUse;

use crate::{LensTold, SingleError};
use frames::{Known, gather};
use nightloom_outing::{SettingsError, World};

/// What is asked.
#[derive(Clone, Debug)]
pub struct AxisAsk {
    /// Frames of the camera on the tracker.
    pub frames: Vec<PathBuf>,
    /// Frames taken after the axis was adjusted, the camera not touched since the last of `frames`.
    pub then: Vec<PathBuf>,
    /// Where; from the outing's settings or the frames' own position when not given.
    pub site: Option<Site>,
    /// How the Earth is turned.
    pub orientation: EarthOrientation,
    /// The air; the usual for the site's elevation when not given.
    pub pressure_hpa: Option<f64>,
    /// Its temperature.
    pub temperature_c: Option<f64>,
    /// What is known of the lens.
    pub lens: LensTold,
    /// When the shutter opened, frame by frame in the order given; the files tell when empty.
    pub at: Vec<Instant>,
    /// Offset of the camera's clock from UTC, seconds east.
    pub clock_offset_s: Option<i32>,
    /// How far that clock is ahead, seconds.
    pub clock_error_s: Option<f64>,
    /// The exposure planned, seconds; the frames' own when not given.
    pub exposure_s: Option<f64>,
    /// Longest trail that is still a point, pixels.
    pub tolerance_px: f64,
    /// What one turn of the altitude's and the azimuth's knob moves, degrees.
    pub knobs_deg: [Option<f64>; 2],
    /// What the tracker stands on.
    pub base: Base,
    /// Magnification of the rear screen.
    pub zoom: f64,
}

/// Why the frames could not be asked.
#[derive(Debug, thiserror::Error)]
pub enum AxisTrouble {
    /// A frame cannot be read.
    #[error(transparent)]
    Single(#[from] SingleError),
    /// The settings beside the frames are wrong.
    #[error(transparent)]
    Settings(#[from] SettingsError),
    /// No place on Earth, or no date that is held.
    #[error(transparent)]
    Place(#[from] PlaceError),
    /// Nobody said where.
    #[error(
        "no place is known, and without it nobody can say where the pole stands; give --lat and --lon, or put the frames into the folder of an outing whose outing.toml has site.latitude_deg and site.longitude_deg"
    )]
    NoPlace,
    /// The frames say where they were taken, and it is elsewhere.
    #[error(
        "the place given, {given}, is {km:.0} km from where {frame} says it was taken, {told}; correct --lat and --lon, or leave them out and the frame's own place is used"
    )]
    Elsewhere {
        /// The frame.
        frame: String,
        /// The place given.
        given: String,
        /// The frame's.
        told: String,
        /// Between them.
        km: f64,
    },
    /// As many times as frames are needed.
    #[error("{got} times were given with --at for {frames} frames; give one for each, in the same order")]
    Times {
        /// Frames.
        frames: usize,
        /// Times.
        got: usize,
    },
    /// A number cannot be.
    #[error(transparent)]
    Field(#[from] nightloom_optics::FieldError),
}

/// The answer.
#[derive(Clone, Debug)]
pub struct AxisAnswer {
    /// What the JSON holds.
    pub report: AxisReport,
    /// The sentence of a “no”: nothing could be measured. The report then tells the frames.
    pub no: Option<String>,
}

/// Measures the axis.
///
/// # Errors
/// [`AxisTrouble`]: a file that cannot be read, no place, numbers that cannot be. That the frames do not tell the
/// axis is an answer, not an error.
pub fn find_axis(ask: &AxisAsk, world: &dyn World) -> Result<AxisAnswer, AxisTrouble> {
    let gathered = gather(ask, world)?;
    let mut report = AxisReport::begun(&gathered);
    let Some(first) = gathered.known.first() else {
        return Ok(no(report, words::none_usable(&gathered)));
    };
    let observer = observer(ask, &gathered.site, first.middle())?;
    let pole = Pole::over(&observer);
    report.pole(&pole);
    report.notes.extend(words::site_notes(&gathered.site, &pole));
    let before = gathered.known.iter().filter(|k| !k.then).count();
    if gathered.known.len() == 1 && ask.frames.len() == 1 {
        return one::answer(ask, &gathered, &observer, &pole, report);
    }
    let frames = frames::axis_frames(&gathered.known, &observer, ask)?;
    if let Some(sentence) = words::below_horizon(&gathered.known, &frames) {
        return Ok(no(report, sentence));
    }
    let lens = gathered.known[0].lens();
    match measure_axis_then(&frames, before, &lens, &pole) {
        Err(problem) => Ok(no(report, words::problem(&problem, &gathered))),
        Ok(measured) => {
            let doubt = clock_by_refraction(&frames[..before], &measured.lens, &pole, observer.air());
            report.notes.extend(doubt.map(|d| words::clock_doubt(&d)));
            conclude(ask, &gathered.known, &measured, &pole, &observer, report)
        }
    }
}

fn no(report: AxisReport, sentence: String) -> AxisAnswer {
    let mut report = report;
    report.problem = Some(sentence.clone());
    AxisAnswer {
        report,
        no: Some(sentence),
    }
}

/// The observer at an instant.
fn observer(ask: &AxisAsk, site: &Site, at: Instant) -> Result<Observer, PlaceError> {
    let observer = Observer::new(site, at, ask.orientation)?;
    let usual = *observer.air();
    Ok(observer.with_air(Air {
        pressure_hpa: ask.pressure_hpa.unwrap_or(usual.pressure_hpa),
        temperature_c: ask.temperature_c.unwrap_or(usual.temperature_c),
    }))
}

/// A tracker is rarely further off, degrees: what two frames tell beyond it is more likely a touch (common practice, no
/// source).
const RARE_DEG: f64 = 3.0;
/// A turn from which on a touch no longer passes for an axis, degrees.
const TURNED_DEG: f64 = 15.0;

/// Why nothing may be turned by what was measured, if so: two frames alone that disagree with every rate or tell an axis
/// further off than any is set, and frames at the end that nothing holds to the others.
fn doubtful(measured: &AxisMeasurement, error: &AxisError) -> Option<&'static str> {
    let odd = measured.rate.is_some_and(|r| r.named == Named::Odd);
    let last = measured.frames.last();
    if matches!(last, Some(FrameUse::LeftOut { why: LeftOut::Alone })) {
        return Some(words::LOOSE_END);
    }
    let far = error.total.deg() > RARE_DEG && measured.turned.deg() < TURNED_DEG;
    (used(measured) == 2 && (odd || far)).then_some(words::TOUCHED)
}

fn used(measured: &AxisMeasurement) -> usize {
    let used = |f: &&FrameUse| matches!(f, FrameUse::Used { .. });
    measured.frames.iter().filter(used).count()
}

/// Whether nothing contradicts what a touch would make, or the lens changed.
fn wary(measured: &AxisMeasurement) -> bool {
    let zoomed = |e: &AxisEvent| matches!(e, AxisEvent::Zoomed { .. });
    used(measured) < 3 || measured.events.iter().any(zoomed)
}

fn conclude(
    ask: &AxisAsk,
    known: &[Known],
    measured: &AxisMeasurement,
    pole: &Pole,
    observer: &Observer,
    mut report: AxisReport,
) -> Result<AxisAnswer, AxisTrouble> {
    report.measured(measured, known, pole);
    let before = measured.frames.len();
    let mut now = (measured.axis, measured.covariance, before - 1);
    for (frame, known) in known.iter().enumerate().skip(before) {
        if let Some((axis, covariance)) = axis_in_later_frame(measured, before - 1, frame) {
            report.update(known, &axis, &covariance, pole);
            now = (axis, covariance, frame);
        }
    }
    let (axis, covariance, frame) = now;
    let error = AxisError::of(&axis, &pole.refracted);
    report.axis(&axis, &covariance, &error);
    let stance = safe::Stance {
        known: &known[frame],
        lens: &measured.lens,
        camera_from_ground: &measured.cameras[frame],
        pole,
        air: observer.air(),
    };
    let sigma = nightloom_sky::Angle::from_rad(covariance.trace().max(0.0).sqrt());
    let tolerance = stance.tolerance(ask, &axis, sigma)?;
    let advice = words::advice(&error, sigma, wary(measured), &tolerance, pole.north);
    // Frames after an adjustment tell the axis by themselves.
    let doubtful = doubtful(measured, &error).filter(|_| report.updates.is_empty());
    // What is not sure to better the axis is not given in movements that someone would make.
    report.correction =
        (advice.sure && doubtful.is_none()).then(|| correction::correction(ask, &stance, &axis));
    report.advice = Some(doubtful.map_or(advice.words, str::to_owned));
    report.notes.extend(words::notes(measured, known));
    if let Some(correction) = &report.correction {
        report.notes.extend(correction::reach(correction, &tolerance));
    }
    report.tolerance = Some(tolerance);
    Ok(AxisAnswer { report, no: None })
}
