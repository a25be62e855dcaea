//! When each frame was taken, and what the camera's clock is worth.
//!
//! Stacking needs the differences between times, placing the sky needs only those too; the hour of
//! the clock matters for the record and for the ground frame. So a clock that was never set is
//! still used for differences, and one that contradicts itself is not used at all.

use jiff::civil::DateTime;
use jiff::tz::{Offset, TimeZone};
use nightloom_sky::Instant;
use serde::{Deserialize, Serialize};

use crate::file::offset_seconds;
use crate::plan::{ClockSettings, SiteSettings};
use crate::roles::FrameFacts;

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
/// The dates that clocks start from when they were never set: day and year.
const UNSET: [(i16, i8, i8); 9] = [
    (1970, 1, 1),
    (1980, 1, 1),
    (2000, 1, 1),
    (2008, 1, 1),
    (2010, 1, 1),
    (2012, 1, 1),
    (2015, 1, 1),
    (2017, 1, 1),
    (2020, 1, 1),
];
/// A frame dated this far after now is from a clock set wrongly, seconds.
const FUTURE_S: f64 = 36.0 * 3600.0;
/// Frames of one outing lie within this, seconds.
const NIGHT_S: f64 = 48.0 * 3600.0;

/// Reads the times of `frames` (sky and land; darks and flats may be of another day).
///
/// UTC = clock − offset − error. The offset is the one of the settings, else the one the file tells,
/// else that of the site's zone, else nought.
pub fn read_clock(
    frames: &[&FrameFacts],
    clock: &ClockSettings,
    site: &SiteSettings,
    now: Instant,
) -> ClockReport {
    let zone = site.zone.as_deref().and_then(|z| TimeZone::get(z).ok());
    let mut report = ClockReport {
        relative: true,
        absolute: true,
        ..ClockReport::default()
    };
    let mut assumed = false;
    for frame in frames {
        let told = frame
            .meta
            .taken_local
            .as_deref()
            .and_then(|t| t.trim().parse::<DateTime>().ok());
        let own = frame.meta.taken_offset.as_deref().and_then(offset_seconds);
        let start = told.and_then(|civil| {
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
    check_order(frames, &mut report);
    report
}

fn utc(civil: DateTime, offset_s: Option<i32>, zone: Option<&TimeZone>) -> Option<Instant> {
    let zone = match (offset_s, zone) {
        (Some(s), _) => TimeZone::fixed(Offset::from_seconds(s).ok()?),
        (None, Some(zone)) => zone.clone(),
        (None, None) => TimeZone::UTC,
    };
    zone.to_timestamp(civil).ok().map(Instant::from_timestamp)
}

fn check_told(frames: &[&FrameFacts], report: &mut ClockReport) {
    let untold = report.times.iter().filter(|t| t.is_none()).count();
    if untold > 0 {
        report.relative = false;
        report.absolute = false;
        report.notes.push(format!(
            "{untold} of {} frames do not tell when they were taken; the order of their names is used.",
            frames.len()
        ));
    }
}

fn check_plausible(frames: &[&FrameFacts], clock: &ClockSettings, now: Instant, report: &mut ClockReport) {
    let corrected = clock.error_s != 0.0;
    for (frame, time) in frames.iter().zip(&report.times) {
        let Some(time) = time else { continue };
        let date = TimeZone::UTC.to_datetime(time.start.timestamp()).date();
        let unset = UNSET.contains(&(date.year(), date.month(), date.day()));
        let why = if date.year() < FIRST_YEAR || (unset && !corrected) {
            "which is where a clock starts that was never set"
        } else if time.start.seconds_since(now) > FUTURE_S {
            "which is still to come"
        } else {
            continue;
        };
        report.absolute = false;
        report.notes.push(format!(
            "The camera's clock was wrong: “{}” says {}, {why}. Only differences between times are used; set camera_clock.error_s to the clock's error to have true times.",
            frame.name, time.start
        ));
        break;
    }
    let times: Vec<Instant> = report.times.iter().flatten().map(|t| t.start).collect();
    if let (Some(first), Some(last)) = (times.iter().min(), times.iter().max())
        && last.seconds_since(*first) > NIGHT_S
    {
        report.relative = false;
        report.absolute = false;
        report.notes.push(format!(
            "The frames' times reach from {first} to {last}, longer than one night: the clock was set in between, or frames of another night lie here. Times are not used."
        ));
    }
}

/// The numbers in file names rise with time; where the clock falls back, it was changed.
fn check_order(frames: &[&FrameFacts], report: &mut ClockReport) {
    let mut numbered: Vec<(&str, u64, Instant, &str)> = Vec::new();
    for (frame, time) in frames.iter().zip(&report.times) {
        let Some(time) = time else { continue };
        if let Some((series, number)) = series_number(&frame.name) {
            numbered.push((series, number, time.start, &frame.name));
        }
    }
    numbered.sort();
    for pair in numbered.windows(2) {
        let (a, b) = (&pair[0], &pair[1]);
        // A counter that ran over from 9999 to 1 looks like a long step back; it is not the clock's.
        let neighbours = a.0 == b.0 && b.1 - a.1 == 1;
        if neighbours && b.2 < a.2 {
            report.relative = false;
            report.absolute = false;
            report.notes.push(format!(
                "“{}” comes after “{}” by its number but before it by the clock ({} against {}): the clock was changed in between. Times are not used.",
                b.3, a.3, b.2, a.2
            ));
            return;
        }
    }
}

/// The folder and prefix of a file name, and the number at its end.
fn series_number(name: &str) -> Option<(&str, u64)> {
    let stem = name.rsplit_once('.').map_or(name, |(stem, _)| stem);
    let digits = stem.bytes().rev().take_while(u8::is_ascii_digit).count();
    let (series, number) = stem.split_at(stem.len() - digits);
    Some((series, number.parse().ok()?))
}
