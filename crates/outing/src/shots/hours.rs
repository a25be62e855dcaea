//! The hours of one night that a shot list has to do with.

use nightloom_sky::Instant;
use nightloom_sky::brightness::ev100_incident;
use nightloom_sky::night::{Night, NightSample, Span, SubjectNight};

use super::ShotsError;
use crate::evening::{why_no_dark, why_no_window};

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
    /// With several subjects: each one's own span and name, in the order of their middles.
    pub turns: Vec<(Span, String)>,
    /// Whether the subjects are taken one after the other, each in its own span, and not all in one picture.
    pub one_by_one: bool,
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
    /// The sky frames go into the longest span in which all subjects stand over the skyline in the dark, or into the
    /// longest dark one without a subject; with `moonlit` the moon may be up. Subjects that never do so together are taken
    /// one after the other.
    ///
    /// # Errors
    /// No such span.
    pub fn of(night: &Night, samples: &[NightSample], moonlit: bool) -> Result<Self, ShotsError> {
        let turns = turns(night, moonlit)?;
        let together = sky_span(night, moonlit);
        let one_by_one = together.is_err() && turns.len() > 1;
        let (sky, sky_is) = if one_by_one { hull(&turns) } else { together? };
        let sun = &night.sun;
        Ok(Self {
            night: Span {
                from: night.window.from,
                to: night.window.to,
            },
            sky,
            sky_is,
            turns,
            one_by_one,
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

    /// The same with the subjects one after the other; none for less than two.
    pub fn one_by_one(&self) -> Option<Self> {
        let (sky, sky_is) = Some(&self.turns).filter(|t| t.len() > 1).map(|t| hull(t))?;
        Some(Self {
            sky,
            sky_is,
            one_by_one: true,
            ..self.clone()
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
    let names: Vec<&str> = night.subjects.iter().map(|s| s.name.as_str()).collect();
    let all = night.subjects.iter().map(|s| spans_of(night, s, moonlit));
    let (spans, is) = match (all.reduce(|a, b| common(&a, &b)), moonlit) {
        (Some(spans), false) => (
            spans,
            format!("{} over the skyline in the dark", names.join(" and ")),
        ),
        (Some(spans), true) => (
            spans,
            format!(
                "{} over the skyline at night, moonlit or not",
                names.join(" and ")
            ),
        ),
        (None, false) => (night.dark.clone(), "the dark: no sun, no moon".into()),
        (None, true) => (night.night.clone(), "the night, moonlit or not".into()),
    };
    longest(spans)
        .map(|span| (span, is))
        .ok_or_else(|| no_window(night, night.subjects.first(), moonlit))
}

/// When one subject can be taken.
fn spans_of(night: &Night, subject: &SubjectNight, moonlit: bool) -> Vec<Span> {
    if moonlit {
        common(&subject.over_skyline, &night.night)
    } else {
        subject.windows.clone()
    }
}

/// Each subject's longest span, where there are several.
fn turns(night: &Night, moonlit: bool) -> Result<Vec<(Span, String)>, ShotsError> {
    if night.subjects.len() < 2 {
        return Ok(Vec::new());
    }
    let of = |s: &SubjectNight| {
        let span = longest(spans_of(night, s, moonlit)).ok_or_else(|| no_window(night, Some(s), moonlit))?;
        Ok((span, s.name.clone()))
    };
    let mut turns = night
        .subjects
        .iter()
        .map(of)
        .collect::<Result<Vec<_>, ShotsError>>()?;
    let middle = |span: &Span| span.from.plus_seconds(span.minutes() * 30.0);
    turns.sort_by_key(|(span, _)| middle(span));
    Ok(turns)
}

/// From the first to the last of them, and what that is.
fn hull(turns: &[(Span, String)]) -> (Span, String) {
    let names: Vec<&str> = turns.iter().map(|(_, name)| name.as_str()).collect();
    let first = turns[0].0.from;
    let from = turns.iter().map(|(span, _)| span.from).fold(first, Instant::min);
    let to = turns.iter().map(|(span, _)| span.to).fold(first, Instant::max);
    (
        Span { from, to },
        format!(
            "{}, one after the other, each over the skyline in the dark",
            names.join(", then ")
        ),
    )
}

fn longest(spans: Vec<Span>) -> Option<Span> {
    spans
        .into_iter()
        .reduce(|a, b| if b.minutes() > a.minutes() { b } else { a })
}

fn no_window(night: &Night, subject: Option<&SubjectNight>, moonlit: bool) -> ShotsError {
    let why = if let Some(why) = why_no_dark(night).filter(|_| night.night.is_empty()) {
        format!("{why}; choose another date")
    } else if let Some(s) = subject {
        let why = why_no_window(night, s)
            .unwrap_or_else(|| format!("{} never stands over the skyline in the dark", s.name));
        let moon = if why.starts_with("the moon") && !moonlit {
            ", or allow moonlight with --moonlit"
        } else {
            ""
        };
        format!("{why}; choose another date{moon}")
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
