//! One night as a strip: twilight, sun, moon and subject by altitude, the hours that can be used, and
//! how dark it is.

use jiff::tz::TimeZone;
use nightloom_sky::Instant;
use nightloom_sky::night::{Night, NightSample, Span};

use super::svg::{Scale, Sheet, clock, full_hours};
use super::{Look, SubjectWay};
use nightloom_outing::evening::{why_no_dark, why_no_window};

/// What the strip shows.
pub struct NightStrip<'a> {
    /// The night.
    pub night: &'a Night,
    /// The night sampled from noon to noon, with the first subject if there is one.
    pub samples: &'a [NightSample],
    /// The night's subjects in their order, each with its samples.
    pub subjects: &'a [SubjectWay<'a>],
    /// The zone in whose time hours are shown.
    pub zone: &'a TimeZone,
    /// Name or coordinates of the place.
    pub place: &'a str,
}

const WIDTH: f64 = 1000.0;
const LEFT: f64 = 58.0;
const RIGHT: f64 = 980.0;
const ALTITUDES: [f64; 2] = [58.0, 268.0];
const WINDOWS: f64 = 300.0;
const ROW: f64 = 30.0;
const DARKNESS: f64 = 110.0;
/// Daylight shown before sunset and after sunrise, seconds.
const MARGIN_S: f64 = 45.0 * 60.0;

/// Draws the night as a strip.
pub fn night_strip(strip: &NightStrip<'_>, look: Look) -> String {
    let draw = Draw::new(strip, shown_span(strip.night), "");
    let title = format!("{}, night of {}", strip.place, strip.night.window.evening);
    let mut sheet = Sheet::new(WIDTH, draw.height(), look, &title);
    draw.all(&mut sheet);
    sheet.done()
}

/// Draws two nights side by side, over the same hours of the clock and the same altitudes.
pub fn two_nights(left: &NightStrip<'_>, right: &NightStrip<'_>, look: Look) -> String {
    let spans = [left, right].map(|strip| shown_span(strip.night));
    let noons = [left, right].map(|strip| strip.night.window.from);
    let after = |n: usize, at: Instant| at.seconds_since(noons[n]);
    let from = after(0, spans[0].from).min(after(1, spans[1].from));
    let to = after(0, spans[0].to).max(after(1, spans[1].to));
    let both = [0, 1].map(|n| Span {
        from: noons[n].plus_seconds(from),
        to: noons[n].plus_seconds(to),
    });
    let mut draws = [
        Draw::new(left, both[0], "-left"),
        Draw::new(right, both[1], "-right"),
    ];
    let highest = draws[0].highest.max(draws[1].highest);
    draws.iter_mut().for_each(|draw| draw.highest = highest);
    let evenings = [left, right].map(|strip| strip.night.window.evening);
    let title = format!("{}, nights of {} and {}", left.place, evenings[0], evenings[1]);
    let height = draws[0].height().max(draws[1].height());
    let mut sheet = Sheet::new(2.0 * WIDTH, height, look, &title);
    draws[0].all(&mut sheet);
    sheet.moved([WIDTH, 0.0], |sheet| draws[1].all(sheet));
    sheet.done()
}

/// From before sunset to after sunrise; noon to noon where there is none.
fn shown_span(night: &Night) -> Span {
    let window = &night.window;
    let from = night
        .sun
        .sunset
        .map_or(window.from, |t| t.plus_seconds(-MARGIN_S));
    let to = night.sun.sunrise.map_or(window.to, |t| t.plus_seconds(MARGIN_S));
    if from < to {
        Span {
            from: from.max(window.from),
            to: to.min(window.to),
        }
    } else {
        Span {
            from: window.from,
            to: window.to,
        }
    }
}

struct Draw<'a> {
    strip: &'a NightStrip<'a>,
    span: Span,
    time: Scale,
    samples: Vec<&'a NightSample>,
    /// The highest altitude that is shown, degrees.
    highest: f64,
    /// Tells this night's clips from another's.
    mark: &'static str,
}

impl<'a> Draw<'a> {
    fn new(strip: &'a NightStrip<'a>, span: Span, mark: &'static str) -> Self {
        let within = |s: &&NightSample| s.at >= span.from && s.at <= span.to;
        let mut draw = Self {
            strip,
            span,
            time: Scale::new([0.0, span.to.seconds_since(span.from)], [LEFT, RIGHT]),
            samples: strip.samples.iter().filter(within).collect(),
            highest: 0.0,
            mark,
        };
        let moon = draw.samples.iter().map(|s| s.moon_altitude_deg);
        let subjects = strip.subjects.iter().flat_map(|way| draw.shown(way.samples));
        let subjects = subjects.filter_map(|s| Some(s.subject.as_ref()?.altitude_deg));
        let highest = moon.chain(subjects).fold(40.0f64, f64::max);
        draw.highest = ((highest + 4.0) / 10.0).ceil() * 10.0;
        draw
    }

    /// Where the darkness begins.
    fn below(&self) -> f64 {
        WINDOWS + (1.0 + self.strip.night.subjects.len() as f64) * ROW + 14.0
    }

    fn height(&self) -> f64 {
        self.below() + DARKNESS + 44.0
    }

    fn all(&self, sheet: &mut Sheet) {
        let darkness = self.below();
        self.heading(sheet);
        self.altitudes(sheet);
        self.events(sheet);
        self.windows(sheet);
        self.darkness(sheet, darkness);
        self.hours(sheet, [ALTITUDES[0], darkness + DARKNESS]);
    }

    fn x(&self, at: Instant) -> f64 {
        let at = at.clamp(self.span.from, self.span.to);
        self.time.at(at.seconds_since(self.span.from))
    }

    fn heading(&self, sheet: &mut Sheet) {
        let night = self.strip.night;
        let evening = night.window.evening.strftime("%A, %-d %B %Y");
        sheet.words([LEFT, 24.0], "big", &format!("{}, {evening}", self.strip.place));
        let at = night
            .window
            .midnight
            .timestamp()
            .to_zoned_datetime(self.strip.zone.clone());
        let moon = format!(
            "times in {} · moon {:.0} % lit",
            at.strftime("%Z (UTC%:z)"),
            night.moon.illuminated_fraction * 100.0
        );
        sheet.words([RIGHT, 24.0], "end soft", &moon);
    }

    fn altitudes(&self, sheet: &mut Sheet) {
        let top = self.highest;
        let y = Scale::new([-20.0, top], [ALTITUDES[1], ALTITUDES[0]]);
        self.twilight(sheet, &y);
        for altitude in (0..=top as i32).step_by(10) {
            let at = y.at(f64::from(altitude));
            sheet.line("rule", [[LEFT, at], [RIGHT, at]]);
            if altitude % 20 == 0 {
                sheet.words([LEFT - 6.0, at + 4.0], "end soft small", &format!("{altitude}°"));
            }
        }
        let corner = [LEFT, ALTITUDES[0]];
        let size = [RIGHT - LEFT, ALTITUDES[1] - ALTITUDES[0]];
        sheet.clipped(&format!("altitudes{}", self.mark), corner, size, |sheet| {
            self.paths(sheet, &y)
        });
        self.names(sheet, &y);
    }

    /// Bands of twilight behind everything, each named.
    fn twilight(&self, sheet: &mut Sheet, y: &Scale) {
        let limits = [
            (-0.8333, "day"),
            (-6.0, "civil"),
            (-12.0, "nautical"),
            (-18.0, "astro"),
        ];
        let tone = |altitude: f64| {
            let band = limits.iter().find(|(limit, _)| altitude > *limit);
            band.map_or("night", |(_, tone)| tone)
        };
        let mut begun: Option<(f64, &str)> = None;
        for sample in &self.samples {
            let (x, tone) = (self.x(sample.at), tone(sample.sun_altitude_deg));
            match begun {
                Some((_, old)) if old == tone => {}
                _ => {
                    if let Some((from, old)) = begun {
                        self.band(sheet, y, [from, x], old);
                    }
                    begun = Some((x, tone));
                }
            }
        }
        if let Some((from, old)) = begun {
            self.band(sheet, y, [from, RIGHT], old);
        }
    }

    fn band(&self, sheet: &mut Sheet, y: &Scale, [from, to]: [f64; 2], tone: &str) {
        let top = ALTITUDES[0];
        let fill = format!("var(--{tone})");
        sheet.block([from, top], [to - from + 0.3, ALTITUDES[1] - top], &fill);
        let word = match tone {
            "astro" => "astronomical",
            "day" => return,
            word => word,
        };
        if to - from > 6.0 * word.len() as f64 + 8.0 {
            sheet.words([(from + to) / 2.0, y.at(-16.5)], "mid soft small", word);
        }
    }

    /// Land under the subject, the subject over it, moon and sun.
    fn paths(&self, sheet: &mut Sheet, y: &Scale) {
        let with_subject = || {
            self.samples
                .iter()
                .filter_map(|s| Some((self.x(s.at), s.subject.as_ref()?)))
        };
        let line = |of: &dyn Fn(&NightSample) -> f64| -> Vec<[f64; 2]> {
            self.samples.iter().map(|s| [self.x(s.at), y.at(of(s))]).collect()
        };
        sheet.line("thin dash", line(&|s| s.moon_altitude_deg));
        sheet.line("thin", line(&|s| s.sun_altitude_deg));
        let land: Vec<[f64; 2]> = with_subject()
            .map(|(x, s)| [x, y.at(s.skyline_deg.max(0.0))])
            .collect();
        if let (Some(first), Some(last)) = (land.first(), land.last()) {
            let feet = [[last[0], y.at(0.0)], [first[0], y.at(0.0)]];
            sheet.shape("land", land.iter().copied().chain(feet));
        } else {
            sheet.line("thin", [[LEFT, y.at(0.0)], [RIGHT, y.at(0.0)]]);
        }
        for way in self.strip.subjects {
            self.path(sheet, y, way.samples);
        }
    }

    /// A subject's way: whole over the land, dotted behind it.
    fn path(&self, sheet: &mut Sheet, y: &Scale, samples: &[NightSample]) {
        let part = |above: bool| {
            self.shown(samples).filter_map(move |sample| {
                let s = sample.subject.as_ref()?;
                let over = s.altitude_deg >= s.skyline_deg;
                let at = if over == above {
                    y.at(s.altitude_deg)
                } else {
                    f64::NAN
                };
                Some([self.x(sample.at), at])
            })
        };
        sheet.line("line", part(true));
        sheet.line("thin dots", part(false));
    }

    /// Of these samples, those in the hours that are shown.
    fn shown<'s>(&'s self, samples: &'s [NightSample]) -> impl Iterator<Item = &'s NightSample> + 's {
        samples
            .iter()
            .filter(|s| s.at >= self.span.from && s.at <= self.span.to)
    }

    /// Each line's name, where it stands highest in the strip.
    fn names(&self, sheet: &mut Sheet, y: &Scale) {
        let name = |sheet: &mut Sheet,
                    samples: &[NightSample],
                    of: &dyn Fn(&NightSample) -> Option<f64>,
                    words: &str| {
            let known = self.shown(samples).filter_map(|s| Some((self.x(s.at), of(s)?)));
            let highest = known.max_by(|a, b| a.1.total_cmp(&b.1));
            if let Some((x, altitude)) = highest.filter(|(_, altitude)| *altitude > 2.0) {
                let x = x.clamp(LEFT + 60.0, RIGHT - 60.0);
                let at = (y.at(altitude) - 6.0).max(ALTITUDES[0] + 12.0);
                sheet.words([x, at], "mid halo", words);
            }
        };
        for way in self.strip.subjects {
            let altitude = |s: &NightSample| s.subject.as_ref().map(|s| s.altitude_deg);
            name(sheet, way.samples, &altitude, way.name);
        }
        name(sheet, self.strip.samples, &|s| Some(s.moon_altitude_deg), "moon");
        let below = self
            .samples
            .iter()
            .find(|s| (-9.0..-3.0).contains(&s.sun_altitude_deg));
        if let Some(s) = below {
            sheet.words(
                [self.x(s.at) + 8.0, y.at(s.sun_altitude_deg) - 2.0],
                "small halo",
                "sun",
            );
        }
    }

    /// Times of what happens, along the lower edge of the altitudes.
    fn events(&self, sheet: &mut Sheet) {
        let night = self.strip.night;
        let sun = &night.sun;
        let mut events: Vec<(Instant, &str)> = [
            (sun.sunset, "sunset"),
            (sun.astronomical_dusk, "dark"),
            (sun.astronomical_dawn, "dawn"),
            (sun.sunrise, "sunrise"),
        ]
        .into_iter()
        .filter_map(|(at, word)| Some((at?, word)))
        .collect();
        events.extend(night.moon.rises.iter().map(|at| (*at, "moonrise")));
        events.extend(night.moon.sets.iter().map(|at| (*at, "moonset")));
        events.retain(|(at, _)| *at >= self.span.from && *at <= self.span.to);
        events.sort_by_key(|(at, _)| *at);
        let mut free = [f64::MIN; 2];
        for (at, word) in events {
            let x = self.x(at);
            let words = format!("{} {word}", clock(at, self.strip.zone));
            let half = 3.1 * words.len() as f64;
            let Some(row) = free.iter().position(|end| x - half > *end) else {
                continue;
            };
            free[row] = x + half + 6.0;
            sheet.line(
                "ink",
                [[x, ALTITUDES[1]], [x, ALTITUDES[1] + 5.0 + 13.0 * row as f64]],
            );
            let below = ALTITUDES[1] + 15.0 + 13.0 * row as f64;
            let x = x.clamp(LEFT + half - 10.0, RIGHT - half + 10.0);
            sheet.words([x, below], "mid small halo", &words);
        }
    }

    /// The moonless dark, then each subject's hours over the skyline.
    fn windows(&self, sheet: &mut Sheet) {
        let night = self.strip.night;
        let row = |i: usize| WINDOWS + i as f64 * ROW;
        self.bar(sheet, row(0), "dark", &night.dark, why_no_dark(night));
        for (i, subject) in night.subjects.iter().enumerate() {
            let why = why_no_window(night, subject);
            self.bar(sheet, row(i + 1), &subject.name, &subject.windows, why);
        }
        for (i, way) in self.strip.subjects.iter().enumerate() {
            self.worth(sheet, row(i + 1), way.samples);
        }
    }

    /// The spans on a line of their own, or why there are none.
    fn bar(&self, sheet: &mut Sheet, top: f64, name: &str, spans: &[Span], why: Option<String>) {
        sheet.line("rule", [[LEFT, top + ROW - 4.0], [RIGHT, top + ROW - 4.0]]);
        if spans.is_empty() {
            let why = why.unwrap_or_else(|| "not this night".into());
            let words = if why.starts_with(name) {
                why
            } else {
                format!("{name}: {why}")
            };
            sheet.words([LEFT + 4.0, top + 16.0], "soft small", &words);
        }
        for span in spans {
            let (from, to) = (self.x(span.from), self.x(span.to));
            sheet.put(format_args!(
                "<rect x=\"{from:.1}\" y=\"{:.1}\" width=\"{:.1}\" height=\"4\" class=\"fill\"/>",
                top + ROW - 8.0,
                (to - from).max(1.0)
            ));
            let words = format!(
                "{name} {} to {} · {}",
                clock(span.from, self.strip.zone),
                clock(span.to, self.strip.zone),
                duration(span.minutes())
            );
            let half = 3.0 * words.chars().count() as f64;
            let middle = ((from + to) / 2.0).clamp(LEFT + half, RIGHT - half);
            sheet.words([middle, top + 14.0], "mid small", &words);
        }
    }

    /// What a minute on a subject is worth, as the height of a ribbon under its bar.
    fn worth(&self, sheet: &mut Sheet, top: f64, samples: &[NightSample]) {
        let foot = top + ROW - 4.0;
        let height = |s: &NightSample| s.subject.as_ref().map_or(0.0, |s| s.grade * 9.0);
        let edge = self.shown(samples).map(|s| [self.x(s.at), foot + height(s)]);
        sheet.shape(
            "fill",
            std::iter::once([LEFT, foot]).chain(edge).chain([[RIGHT, foot]]),
        );
    }

    /// Sky brightness at the subject (at the zenith without one), with what the moon takes away.
    fn darkness(&self, sheet: &mut Sheet, top: f64) {
        const RANGE: [f64; 2] = [17.0, 22.0];
        let y = Scale::new(RANGE, [top + DARKNESS, top]);
        for mag in 17..=22 {
            let at = y.at(f64::from(mag));
            sheet.line("rule", [[LEFT, at], [RIGHT, at]]);
            if mag % 2 == 1 || mag == 22 {
                sheet.words([LEFT - 6.0, at + 4.0], "end soft small", &mag.to_string());
            }
        }
        let value = |s: &NightSample| {
            s.subject
                .as_ref()
                .map_or((s.zenith_mag, 0.0), |s| (s.sky_mag, s.moon_cost_mag))
        };
        let corner = [LEFT, top];
        sheet.clipped(
            &format!("darkness{}", self.mark),
            corner,
            [RIGHT - LEFT, DARKNESS],
            |sheet| {
                let with = self.samples.iter().map(|s| [self.x(s.at), y.at(value(s).0)]);
                let without = self
                    .samples
                    .iter()
                    .rev()
                    .map(|s| [self.x(s.at), y.at(value(s).0 + value(s).1)]);
                sheet.put(format_args!("<g style=\"fill:var(--glow);fill-opacity:.45\">"));
                sheet.shape("", with.clone().chain(without));
                sheet.put(format_args!("</g>"));
                sheet.line("line", with);
            },
        );
        let what = match self.strip.subjects {
            [] => "mag/arcsec² at the zenith".to_owned(),
            [_] => "mag/arcsec² at the subject; shaded: what the moon takes".into(),
            [first, ..] => format!("mag/arcsec² at {}; shaded: what the moon takes", first.name),
        };
        sheet.words([LEFT + 4.0, top + 12.0], "soft small halo", &what);
    }

    fn hours(&self, sheet: &mut Sheet, [top, bottom]: [f64; 2]) {
        for (at, hour) in full_hours(self.span.from, self.span.to, self.strip.zone) {
            let x = self.x(at);
            sheet.line("rule", [[x, bottom], [x, bottom + 5.0]]);
            sheet.line("rule dots", [[x, top], [x, bottom]]);
            sheet.words([x, bottom + 20.0], "mid soft", &format!("{hour:02}"));
        }
        let x = self.x(self.strip.night.window.midnight);
        sheet.line("thin", [[x, bottom], [x, bottom + 6.0]]);
    }
}

/// Minutes as hours and minutes.
pub(super) fn duration(minutes: f64) -> String {
    let minutes = minutes.round() as i64;
    match (minutes / 60, minutes % 60) {
        (0, m) => format!("{m} min"),
        (h, m) => format!("{h} h {m:02} min"),
    }
}
