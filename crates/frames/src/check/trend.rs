//! The night's course over the frames checked: focus, dew, sky, drift.

use std::f64::consts::PI;

use nightloom_sky::Instant;
use nightloom_stars::axis::periodic;

use super::FrameCheck;
use crate::single::SkyPlace;

/// One figure that changes from frame to frame.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct Trend {
    /// What changes, in a word.
    pub what: &'static str,
    /// The change in words with figures.
    pub figure: String,
    /// Change per hour, in the unit of the figure.
    pub per_hour: f64,
    /// Whether it calls for a hand.
    pub alarm: bool,
}

/// The course of the frames, as far as it can be told.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize)]
pub struct Trends {
    /// Width of the stars, pixels.
    pub focus: Option<Trend>,
    /// Starlight, magnitudes lost.
    pub dew: Option<Trend>,
    /// Brightness of the sky, magnitudes per square arcsecond.
    pub sky: Option<Trend>,
    /// Where the frame looks, arcminutes.
    pub drift: Option<Trend>,
    /// Its swing along right ascension: the tracker's gear; per hour, arcseconds.
    pub swing: Option<Trend>,
}

impl Trends {
    /// The first that calls for a hand.
    pub fn worst(&self) -> Option<&Trend> {
        self.all().find(|t| t.alarm)
    }

    /// Those that can be told.
    pub fn all(&self) -> impl Iterator<Item = &Trend> {
        [&self.focus, &self.dew, &self.sky, &self.drift, &self.swing]
            .into_iter()
            .flatten()
    }
}

/// Frames a course needs, and frames it looks back over.
const LEAST: usize = 4;
const LOOK_BACK: usize = 30;
/// A change counts when it is so many times its own error.
const SIGMAS: f64 = 3.0;

/// The course of `checks`, oldest first. Frames without time, without stars, or with other settings than the
/// last do not count; the last thirty that do are looked at.
pub fn trends(checks: &[FrameCheck]) -> Trends {
    let mut last: Vec<&FrameCheck> = checks
        .iter()
        .filter(|c| c.measured && c.taken.is_some())
        .collect();
    // A land frame of eight seconds has other stars than a tracked one of ninety.
    if let Some(settings) = last.last().map(|c| c.settings) {
        last.retain(|c| c.settings == settings);
    }
    let last = &last[last.len().saturating_sub(LOOK_BACK)..];
    Trends {
        focus: line(last, |c| (c.fwhm_px > 0.0 && c.stars >= 10).then_some(c.fwhm_px)).map(focus),
        dew: line(last, |c| c.starlight_mag()).map(dew),
        sky: line(last, |c| c.sky_mag_arcsec2).map(sky),
        drift: drift(last),
        swing: swing(last),
    }
}

/// A straight line through the points: first and last value on it, hours, whether it is more than noise.
struct Line {
    first: f64,
    last: f64,
    hours: f64,
    sure: bool,
}

impl Line {
    fn change(&self) -> f64 {
        self.last - self.first
    }
    fn per_hour(&self) -> f64 {
        self.change() / self.hours
    }
    fn minutes(&self) -> f64 {
        60.0 * self.hours
    }
}

fn line(checks: &[&FrameCheck], value: impl Fn(&FrameCheck) -> Option<f64>) -> Option<Line> {
    let points: Vec<(Instant, f64)> = checks
        .iter()
        .filter_map(|c| Some((c.taken?, value(c)?)))
        .collect();
    let start = points.iter().map(|p| p.0).min()?;
    let hours: Vec<(f64, f64)> = points
        .iter()
        .map(|(t, v)| (t.seconds_since(start) / 3600.0, *v))
        .collect();
    let n = hours.len() as f64;
    if hours.len() < LEAST {
        return None;
    }
    let (mx, my) = (
        hours.iter().map(|h| h.0).sum::<f64>() / n,
        hours.iter().map(|h| h.1).sum::<f64>() / n,
    );
    let sxx: f64 = hours.iter().map(|h| (h.0 - mx).powi(2)).sum();
    if sxx <= 0.0 {
        return None;
    }
    let slope = hours.iter().map(|h| (h.0 - mx) * (h.1 - my)).sum::<f64>() / sxx;
    let rest: f64 = hours
        .iter()
        .map(|h| (h.1 - my - slope * (h.0 - mx)).powi(2))
        .sum();
    let error = (rest / (n - 2.0) / sxx).sqrt();
    let length = hours.iter().map(|h| h.0).fold(0.0, f64::max);
    Some(Line {
        first: my - slope * mx,
        last: my + slope * (length - mx),
        hours: length,
        sure: slope.abs() > SIGMAS * error,
    })
}

/// Stars 1.15 times as wide as before call for a hand: half of what is minded (common practice, no source).
fn focus(l: Line) -> Trend {
    let alarm = l.sure && l.last > 1.15 * l.first;
    Trend {
        what: "focus",
        figure: format!(
            "stars {:.2} → {:.2} px wide in {:.0} min",
            l.first,
            l.last,
            l.minutes()
        ),
        per_hour: l.per_hour(),
        alarm,
    }
}

/// A fifth of the starlight lost calls for a hand.
fn dew(l: Line) -> Trend {
    let lost = -l.change();
    Trend {
        what: "dew",
        figure: format!("starlight {:+.2} mag in {:.0} min", -lost, l.minutes()),
        per_hour: -l.per_hour(),
        alarm: l.sure && lost > 0.24,
    }
}

/// A sky that brightens by 0.3 mag: dawn, moon, cloud lit from below.
fn sky(l: Line) -> Trend {
    Trend {
        what: "sky",
        figure: format!(
            "sky {:.2} → {:.2} mag/arcsec² in {:.0} min",
            l.first,
            l.last,
            l.minutes()
        ),
        per_hour: l.per_hour(),
        alarm: l.sure && l.change() < -0.3,
    }
}

/// How fast the picture's middle wanders over the sky, for tracked frames.
fn drift(checks: &[&FrameCheck]) -> Option<Trend> {
    let places: Vec<(Instant, [f64; 3])> = checks
        .iter()
        .filter_map(|c| {
            let p = c.centre?;
            let (ra, dec) = (p.ra_deg.to_radians(), p.dec_deg.to_radians());
            Some((c.taken?, [dec.cos() * ra.cos(), dec.cos() * ra.sin(), dec.sin()]))
        })
        .collect();
    let (first, last) = (places.first()?, places.last()?);
    let hours = last.0.seconds_since(first.0) / 3600.0;
    if places.len() < LEAST || hours <= 0.0 {
        return None;
    }
    let apart = (0..3)
        .map(|k| (first.1[k] - last.1[k]).powi(2))
        .sum::<f64>()
        .sqrt();
    let arcmin = (2.0 * (0.5 * apart).min(1.0).asin()).to_degrees() * 60.0;
    // Fifteen degrees an hour is the sky's own turn: a fixed camera, or one aimed anew.
    let tracked = arcmin / hours < 300.0;
    tracked.then(|| Trend {
        what: "drift",
        figure: format!(
            "the picture's middle moved {arcmin:.1}′ in {:.0} min",
            60.0 * hours
        ),
        per_hour: arcmin / hours,
        alarm: false,
    })
}

/// The picture's middle ahead of and behind the mean along right ascension, as the tracker's gear turns.
///
/// Calls for a hand where it draws stars out by more than [`SMEARED_PX`] in one exposure.
fn swing(checks: &[&FrameCheck]) -> Option<Trend> {
    let mut places: Vec<(Instant, SkyPlace)> = checks
        .iter()
        .filter_map(|c| Some((c.taken?, c.centre?)))
        .collect();
    // Frames may be named in any order.
    places.sort_by_key(|p| p.0);
    let start = places.first()?.0;
    let mut run: Vec<(f64, f64)> = Vec::new();
    for (t, place) in places {
        let ra = place.ra_deg.to_radians();
        let last = run.last().map_or(ra, |r| r.1);
        // The way round is the short one.
        let ahead = (ra - last + PI).rem_euclid(2.0 * PI) - PI;
        run.push((t.seconds_since(start), last + ahead));
    }
    let last = checks.last()?;
    let exposure = last.settings[0].unwrap_or(0.0);
    let fit = periodic(&run, exposure)?;
    let dec = last.centre?.dec_deg.to_radians();
    let fastest = fit.amplitude_arcsec * 2.0 * PI / fit.period_s * dec.cos();
    let smear = last.scale_arcsec_px.map(|scale| fastest * exposure / scale);
    Some(Trend {
        what: "swing",
        figure: format!(
            "the picture's middle swings by ±{:.0}″ along right ascension every {:.1} min, as the tracker's gear turns{}",
            fit.amplitude_arcsec,
            fit.period_s / 60.0,
            smear.map_or_else(String::new, |px| format!(": up to {px:.1} px in one exposure"))
        ),
        per_hour: 4.0 * fit.amplitude_arcsec * 3600.0 / fit.period_s,
        alarm: smear.is_some_and(|px| px > SMEARED_PX),
    })
}

/// Length that draws stars 2.3 px wide out to 1.3 times as long: √12 · √(1.3² − 1) of their standard deviation.
const SMEARED_PX: f64 = 2.8;
