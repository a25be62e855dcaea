//! The hours of one night that a shot list has to do with.

use nightloom_sky::Instant;
use nightloom_sky::brightness::ev100_incident;
use nightloom_sky::night::{Night, NightSample, Span};

use super::ShotsError;
use crate::evening::why_no_dark;

/// The light for land in twilight, EV100 of an incident meter: as under a bright full moon, when the sky still parts
/// the ridge from the valley (common practice, no source; the trade gives −3 to −2 for land under a full moon).
pub const TWILIGHT_EV100: f64 = -2.0;

/// What of a night the shot list needs.
#[derive(Clone, Debug, PartialEq)]
pub struct Hours {
    /// Noon to noon, or as much of it as one has: from leaving at the earliest to being back at the latest.
    pub night: Span,
    /// Where the sky frames belong.
    pub sky: Span,
    /// What that is, in words.
    pub sky_is: String,
    /// When the sun is below −18°.
    pub dark: Vec<Span>,
    /// When the moon shines over the skyline and the sun is below −18°.
    pub moonlit: Vec<Span>,
    /// Morning from civil dawn to sunrise, if there is one.
    pub morning: Option<Span>,
    /// Instants and EV100 of an incident meter on level land, in order.
    pub light: Vec<(Instant, f64)>,
}

impl Hours {
    /// From the answer about a night and its samples, noon to noon.
    ///
    /// The sky frames go into the longest span in which the first subject stands over the skyline in the dark, or into
    /// the longest dark one without a subject; with `moonlit` the moon may be up.
    ///
    /// # Errors
    /// No such span.
    pub fn of(night: &Night, samples: &[NightSample], moonlit: bool) -> Result<Self, ShotsError> {
        let (sky, sky_is) = sky_span(night, moonlit)?;
        let sun = &night.sun;
        Ok(Self {
            night: Span {
                from: night.window.from,
                to: night.window.to,
            },
            sky,
            sky_is,
            dark: night.night.clone(),
            moonlit: common(&night.night, &night.moon.over_skyline),
            morning: match (sun.civil_dawn, sun.sunrise) {
                (Some(from), Some(to)) if from < to => Some(Span { from, to }),
                _ => None,
            },
            light: samples
                .iter()
                .map(|s| (s.at, ev100_incident(s.land_lux)))
                .collect(),
        })
    }

    /// The light at an instant, EV100, between the samples by straight lines.
    pub fn ev100_at(&self, at: Instant) -> Option<f64> {
        let after = self.light.partition_point(|(t, _)| *t <= at);
        let (before, after) = (self.light.get(after.checked_sub(1)?)?, self.light.get(after)?);
        let part = at.seconds_since(before.0) / after.0.seconds_since(before.0);
        Some(before.1 + part * (after.1 - before.1))
    }

    /// When the evening's light falls through [`TWILIGHT_EV100`].
    pub fn dusk_light(&self) -> Option<Instant> {
        let mut pairs = self.light.windows(2);
        pairs.find_map(|pair| crossing(pair, |a, b| a >= TWILIGHT_EV100 && b < TWILIGHT_EV100))
    }

    /// When the morning's light rises through it.
    pub fn dawn_light(&self) -> Option<Instant> {
        let mut pairs = self.light.windows(2).rev();
        pairs.find_map(|pair| crossing(pair, |a, b| a < TWILIGHT_EV100 && b >= TWILIGHT_EV100))
    }
}

fn crossing(pair: &[(Instant, f64)], is_one: impl Fn(f64, f64) -> bool) -> Option<Instant> {
    let [(at, a), (next, b)] = *pair else { return None };
    is_one(a, b).then(|| {
        let part = (TWILIGHT_EV100 - a) / (b - a);
        at.plus_seconds(part * next.seconds_since(at))
    })
}

fn sky_span(night: &Night, moonlit: bool) -> Result<(Span, String), ShotsError> {
    let subject = night.subjects.first();
    let (spans, is) = match (subject, moonlit) {
        (Some(s), false) => (
            s.windows.clone(),
            format!("{} over the skyline in the dark", s.name),
        ),
        (Some(s), true) => (
            common(&s.over_skyline, &night.night),
            format!("{} over the skyline at night, moonlit or not", s.name),
        ),
        (None, false) => (night.dark.clone(), "the dark: no sun, no moon".into()),
        (None, true) => (night.night.clone(), "the night, moonlit or not".into()),
    };
    let longest = spans
        .into_iter()
        .reduce(|a, b| if b.minutes() > a.minutes() { b } else { a });
    longest
        .map(|span| (span, is))
        .ok_or_else(|| no_window(night, moonlit))
}

fn no_window(night: &Night, moonlit: bool) -> ShotsError {
    let subject = night.subjects.first();
    let why = if let Some(why) = why_no_dark(night).filter(|_| night.night.is_empty()) {
        format!("{why}; choose another date")
    } else if let Some(s) = subject {
        let moon = if moonlit {
            ""
        } else {
            ", or allow moonlight with --moonlit"
        };
        format!(
            "{} never stands over the skyline in the dark; choose another date{moon}",
            s.name
        )
    } else {
        "the moon is up for all of the night; choose another date, or allow moonlight with --moonlit".into()
    };
    ShotsError::NoWindow { why }
}

/// What two ordered lists of spans have in common.
fn common(a: &[Span], b: &[Span]) -> Vec<Span> {
    let both = a.iter().flat_map(|x| b.iter().map(move |y| (x, y)));
    both.map(|(x, y)| Span {
        from: x.from.max(y.from),
        to: x.to.min(y.to),
    })
    .filter(|span| span.from < span.to)
    .collect()
}
