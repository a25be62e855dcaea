//! When each frame was taken, and what the camera's clock is worth.
//!
//! Stacking needs the differences between times, placing the sky needs only those too; the hour of
//! the clock matters for the record and for the ground frame. So a clock that was never set is
//! still used for differences, and one that contradicts itself is not used at all. A frame that
//! tells no time takes its own time away and no other's.

use jiff::civil::DateTime;
use jiff::tz::{Offset, TimeZone};
use nightloom_raster::FrameMeta;
use nightloom_sky::{EarthOrientation, Instant, Observer, Site, SolarBody, Target};
use serde::{Deserialize, Serialize};

use crate::file::offset_seconds;
use crate::plan::{ClockSettings, SiteSettings};

/// When one frame was taken.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct FrameTime {
    /// Start of the exposure, UTC.
    pub start: Instant,
    /// Length of the exposure, seconds; 0 when not told.
    pub exposure_s: f64,
}

impl FrameTime {
    /// The middle of the exposure.
    pub fn middle(&self) -> Instant {
        self.start.plus_seconds(self.exposure_s / 2.0)
    }
    /// The end of the exposure.
    pub fn end(&self) -> Instant {
        self.start.plus_seconds(self.exposure_s)
    }
}

/// One frame as its clock is read.
#[derive(Clone, Copy, Debug)]
pub struct ClockFrame<'a> {
    /// Path inside the outing, for the sentences and for the number at its end.
    pub name: &'a str,
    /// What the file says.
    pub meta: &'a FrameMeta,
    /// Whether it shows stars: the sun was down then.
    pub starry: bool,
}

/// What the clock says and what it is worth.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct ClockReport {
    /// For every frame its time, in the order given; `None` when not told or not to be trusted.
    pub times: Vec<Option<FrameTime>>,
    /// Whether differences between times can be trusted.
    pub relative: bool,
    /// Whether the times themselves can be trusted, to the uncertainty of a camera's clock.
    pub absolute: bool,
    /// What was assumed or found wrong, in whole sentences.
    pub notes: Vec<String>,
}

/// Digital cameras tell no time before this year.
const FIRST_YEAR: i16 = 1995;
/// The years whose first midnight clocks start from when they were never set.
const UNSET_YEARS: [i16; 9] = [1970, 1980, 2000, 2008, 2010, 2012, 2015, 2017, 2020];
/// A clock that starts from there shows the first frame within so many minutes: the time it takes to put
/// a battery in and press the shutter. Later on 1 January is a date like any other.
const UNSET_MINUTES: i32 = 30;
/// A frame dated this far after now is from a clock set wrongly, seconds.
const FUTURE_S: f64 = 36.0 * 3600.0;
/// Frames of one outing lie within this, seconds.
const NIGHT_S: f64 = 48.0 * 3600.0;
/// Stars are not photographed with the sun above this, degrees: civil twilight ends at −6°, and a clock may
/// be some minutes off.
const SUN_DEG: f64 = -3.0;

/// Reads the times of `frames` (sky and land; darks and flats may be of another day).
///
/// UTC = clock − offset − error. The offset is the one of the settings, else the one the file tells,
/// else that of the site's zone, else nought. `now`, where given, tells a clock that is ahead of the
/// day; a build does not ask it.
pub fn read_clock(
    frames: &[ClockFrame<'_>],
    clock: &ClockSettings,
    site: &SiteSettings,
    now: Option<Instant>,
) -> ClockReport {
    let zone = site.zone.as_deref().and_then(|z| TimeZone::get(z).ok());
    let mut report = ClockReport {
        relative: true,
        absolute: true,
        ..ClockReport::default()
    };
    let mut assumed = false;
    for frame in frames {
        let own = frame.meta.taken_offset.as_deref().and_then(offset_seconds);
        let start = told(frame).and_then(|civil| {
            let offset = clock.offset_s.or(own);
            assumed |= offset.is_none() && zone.is_none();
            utc(civil, offset, zone.as_ref())
        });
        report.times.push(start.map(|s| {
            FrameTime {
                start: s.plus_seconds(-clock.error_s),
                exposure_s: frame
                    .meta
                    .exposure_s
                    .filter(|t| t.is_finite() && *t >= 0.0)
                    .unwrap_or(0.0),
            }
        }));
    }
    if assumed {
        report.notes.push("Nothing tells the offset of the camera's clock from UTC, so none was assumed; set camera_clock.offset or site.zone.".into());
    }
    check_told(frames, &mut report);
    check_plausible(frames, clock, now, &mut report);
    check_night(frames, site.place.as_ref(), &mut report);
    check_span(&mut report);
    check_order(frames, &mut report);
    report
}

fn told(frame: &ClockFrame<'_>) -> Option<DateTime> {
    frame.meta.taken_local.as_deref()?.trim().parse().ok()
}

fn utc(civil: DateTime, offset_s: Option<i32>, zone: Option<&TimeZone>) -> Option<Instant> {
    let zone = match (offset_s, zone) {
        (Some(s), _) => TimeZone::fixed(Offset::from_seconds(s).ok()?),
        (None, Some(zone)) => zone.clone(),
        (None, None) => TimeZone::UTC,
    };
    zone.to_timestamp(civil).ok().map(Instant::from_timestamp)
}

fn check_told(frames: &[ClockFrame<'_>], report: &mut ClockReport) {
    let untold: Vec<&str> = frames
        .iter()
        .zip(&report.times)
        .filter(|(_, t)| t.is_none())
        .map(|(f, _)| f.name)
        .collect();
    let Some(first) = untold.iter().min() else {
        return;
    };
    if untold.len() == frames.len() {
        (report.relative, report.absolute) = (false, false);
        report.notes.push(format!(
            "None of the {} frames tells when it was taken; times are not used.",
            frames.len()
        ));
        return;
    }
    let others = match untold.len() {
        1 => String::new(),
        n => format!(" and {} more", n - 1),
    };
    report.notes.push(format!(
        "“{first}”{others} of {} frames do not tell when they were taken; the others' times are used.",
        frames.len()
    ));
}

fn check_plausible(
    frames: &[ClockFrame<'_>],
    clock: &ClockSettings,
    now: Option<Instant>,
    report: &mut ClockReport,
) {
    if clock.error_s != 0.0 {
        return;
    }
    // The earliest by the clock: one that was never set starts with it.
    let earliest = frames.iter().filter_map(told).min();
    let unset = earliest.is_some_and(|t| {
        let minutes = i32::from(t.hour()) * 60 + i32::from(t.minute());
        UNSET_YEARS.contains(&t.year()) && (t.month(), t.day()) == (1, 1) && minutes < UNSET_MINUTES
    });
    let old = earliest.is_some_and(|t| t.year() < FIRST_YEAR);
    let ahead = |t: &FrameTime| now.is_some_and(|now| t.start.seconds_since(now) > FUTURE_S);
    let first_ahead = report.times.iter().flatten().any(ahead);
    let why = if old || unset {
        "which is where a clock starts that was never set"
    } else if first_ahead {
        "which is still to come"
    } else {
        return;
    };
    let pick = |t: &FrameTime| old || unset || ahead(t);
    let timed = frames.iter().zip(&report.times);
    let first = timed.filter_map(|(f, t)| Some((t.filter(pick)?, f.name)));
    if let Some((time, name)) = first.min_by_key(|(t, name)| (t.start, *name)) {
        distrust(report, name, time.start, why);
    }
}

fn distrust(report: &mut ClockReport, name: &str, start: Instant, why: &str) {
    report.absolute = false;
    report.notes.push(format!(
        "The camera's clock was wrong: “{name}” says {start}, {why}. Only differences between times are used; set camera_clock.error_s to the clock's error to have true times."
    ));
}

/// A frame with stars cannot have been taken with the sun up.
fn check_night(frames: &[ClockFrame<'_>], site: Option<&Site>, report: &mut ClockReport) {
    let (Some(site), true) = (site, report.absolute) else {
        return;
    };
    let up = |t: &FrameTime| {
        let observer = Observer::new(site, t.middle(), EarthOrientation::default()).ok()?;
        Some(observer.altitude(&Target::Body(SolarBody::Sun)).deg()).filter(|a| *a > SUN_DEG)
    };
    let starry = frames.iter().zip(&report.times).filter(|(f, _)| f.starry);
    let day = starry.filter_map(|(f, t)| Some((f.name, t.as_ref()?.start, up(t.as_ref()?)?)));
    if let Some((name, start, altitude)) = day.min_by_key(|(name, start, _)| (*start, *name)) {
        let why = format!("when the sun stood at {altitude:.0}° there, but it shows stars");
        distrust(report, name, start, &why);
    }
}

fn check_span(report: &mut ClockReport) {
    let times = || report.times.iter().flatten().map(|t| t.start);
    if let (Some(first), Some(last)) = (times().min(), times().max())
        && last.seconds_since(first) > NIGHT_S
    {
        (report.relative, report.absolute) = (false, false);
        report.notes.push(format!(
            "The frames' times reach from {first} to {last}, longer than one night: the clock was set in between, or frames of another night lie here. Times are not used."
        ));
    }
}

/// The numbers in file names rise with time; where the clock falls back, it may have been changed. That is
/// said and no more: names decide nothing, files can be renamed.
fn check_order(frames: &[ClockFrame<'_>], report: &mut ClockReport) {
    let mut numbered: Vec<(&str, u64, Instant, &str)> = Vec::new();
    for (frame, time) in frames.iter().zip(&report.times) {
        let Some(time) = time else { continue };
        if let Some((series, number)) = series_number(frame.name) {
            numbered.push((series, number, time.start, frame.name));
        }
    }
    numbered.sort();
    // A counter that ran over from 9999 to 1 looks like a long step back; it is not the clock's.
    let mut pairs = numbered.windows(2);
    if let Some([a, b]) = pairs.find(|p| p[0].0 == p[1].0 && p[1].1 - p[0].1 == 1 && p[1].2 < p[0].2) {
        report.notes.push(format!(
            "“{}” comes after “{}” by its number but before it by the clock ({} against {}). If the clock was changed in between, leave the frames of one side out; if the files were renamed, all is well.",
            b.3, a.3, b.2, a.2
        ));
    }
}

/// The folder and prefix of a file name, and the number at its end.
fn series_number(name: &str) -> Option<(&str, u64)> {
    let stem = name.rsplit_once('.').map_or(name, |(stem, _)| stem);
    let digits = stem.bytes().rev().take_while(u8::is_ascii_digit).count();
    let (series, number) = stem.split_at(stem.len() - digits);
    Some((series, number.parse().ok()?))
}
