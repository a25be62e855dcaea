//! Signal-to-noise: against the time spent, and against the length of one exposure.

use nightloom_optics::noise::{
    Choice, Collected, PixelBackground, READ_NOISE_SHARE, choices, signal_to_noise, sky_limited_s,
};
use nightloom_optics::{FieldError, Setting};

use super::Look;
use super::labels::{Side, Taken, rect, round_step, time};
use super::svg::{Scale, Sheet};
use nightloom_outing::short;

/// What the chart of signal-to-noise shows.
#[derive(Clone, Copy, Debug)]
pub struct SignalChart<'a> {
    /// Subject and sky in words.
    pub told: &'a str,
    /// The subject, as it falls on the sensor.
    pub subject: Collected,
    /// Sky, dark current and read noise. The sky's rate is above zero.
    pub background: PixelBackground,
    /// Time to spend, seconds.
    pub total_s: f64,
    /// Between two exposures, seconds.
    pub pause_s: f64,
    /// Length of an exposure for the curve over time, seconds.
    pub exposure_s: f64,
}

const WIDTH: f64 = 1000.0;
const HEIGHT: f64 = 486.0;
const TOP: f64 = 74.0;
const FOOT: f64 = 404.0;
/// Left and right edges of the two panels.
const OVER_TIME: [f64; 2] = [58.0, 490.0];
const OVER_LENGTH: [f64; 2] = [548.0, 980.0];
/// Points of a curve over time.
const POINTS: u32 = 160;

/// Draws signal-to-noise over the time and over the length of one exposure.
///
/// # Errors
/// As [`signal_to_noise`], [`choices`] and [`sky_limited_s`].
pub fn signal_chart(chart: &SignalChart<'_>, look: Look) -> Result<String, FieldError> {
    let title = format!("Signal-to-noise in {}", time(chart.total_s));
    let draw = Draw::new(chart)?;
    let mut sheet = Sheet::new(WIDTH, HEIGHT, look, &format!("{title}, {}", chart.told));
    sheet.words([OVER_TIME[0], 26.0], "big", &title);
    sheet.words([OVER_LENGTH[1], 26.0], "end soft", chart.told);
    draw.over_time(&mut sheet)?;
    draw.over_length(&mut sheet);
    let key = "dashed: a camera without read noise and pauses; dots: whole exposures that fit; ring: the length chosen";
    sheet.words([OVER_TIME[0], HEIGHT - 16.0], "soft small", key);
    Ok(sheet.done())
}

struct Draw<'a> {
    chart: &'a SignalChart<'a>,
    y: Scale,
    /// Ratio without read noise and pauses in the whole time.
    best: f64,
    /// The length at which read noise adds 5 %.
    limited_s: f64,
    /// Every third of a stop.
    choices: Vec<Choice>,
    /// The length chosen.
    chosen: Choice,
}

impl<'a> Draw<'a> {
    fn new(chart: &'a SignalChart<'a>) -> Result<Self, FieldError> {
        let SignalChart {
            subject,
            background,
            total_s,
            pause_s,
            exposure_s,
            ..
        } = chart;
        let limited_s = sky_limited_s(background.sky_e_per_s, background.read_noise_e, READ_NOISE_SHARE)?;
        let chosen = choices(subject, background, *total_s, *pause_s, &[*exposure_s])?;
        let from = (limited_s / 40.0).min(exposure_s / 8.0).max(1.0 / 4000.0);
        // A dozen exposures at the least: with fewer the remainder decides, not the noise.
        let to = (total_s / 12.0)
            .max(exposure_s * 6.0)
            .max(limited_s * 1.6)
            .max(from * 8.0)
            .min(*total_s);
        let lengths: Vec<f64> = Setting::Time
            .marks()
            .into_iter()
            .filter(|s| (from..=to).contains(s))
            .collect();
        let best = signal_to_noise(subject, &without_reading(background), *total_s, 1)?.ratio;
        Ok(Self {
            chart,
            y: Scale::new([0.0, best.max(f64::MIN_POSITIVE) * 1.12], [FOOT, TOP]),
            best,
            limited_s,
            choices: choices(subject, background, *total_s, *pause_s, &lengths)?,
            chosen: chosen[0],
        })
    }

    fn ratios(&self, sheet: &mut Sheet, [left, right]: [f64; 2]) {
        let step = round_step(self.best * 1.12, 7.0);
        for n in 0..=(self.best * 1.12 / step) as u32 {
            let y = self.y.at(f64::from(n) * step);
            sheet.line("rule", [[left, y], [right, y]]);
            sheet.words(
                [left - 7.0, y + 4.0],
                "end soft small",
                &short(f64::from(n) * step),
            );
        }
    }

    /// The chosen length over the time, with the number at a quarter, a half and the whole of it.
    fn over_time(&self, sheet: &mut Sheet) -> Result<(), FieldError> {
        let chart = self.chart;
        let x = Scale::new([0.0, chart.total_s], OVER_TIME);
        let pauses = match chart.pause_s {
            s if s > 0.0 => format!(", {} between them", time(s)),
            _ => String::new(),
        };
        let head = format!("over time, in exposures of {}{pauses}", time(chart.exposure_s));
        sheet.words([OVER_TIME[0], TOP - 14.0], "", &head);
        self.ratios(sheet, OVER_TIME);
        for (seconds, words) in times(chart.total_s) {
            let at = x.at(seconds);
            sheet.line("rule", [[at, TOP], [at, FOOT]]);
            sheet.words([at, FOOT + 17.0], "mid soft small", &words);
        }
        let quiet = without_reading(&chart.background);
        let shares = (1..=POINTS).map(|n| f64::from(n) / f64::from(POINTS) * chart.total_s);
        let best = shares
            .map(|s| {
                Ok([
                    x.at(s),
                    self.y.at(signal_to_noise(&chart.subject, &quiet, s, 1)?.ratio),
                ])
            })
            .collect::<Result<Vec<_>, FieldError>>()?;
        let begin = std::iter::once([OVER_TIME[0], FOOT]);
        sheet.line("thin dash", begin.chain(best));
        sheet.line("line", self.curve(&x)?);
        let mut taken = Taken::default();
        for part in [1.0, 0.5, 0.25] {
            let spent = chart.total_s * part;
            let lengths = [chart.exposure_s];
            let reached = choices(&chart.subject, &chart.background, spent, chart.pause_s, &lengths)?[0];
            if reached.frames == 0 {
                continue;
            }
            let (at, y) = (x.at(reached.used_s), self.y.at(reached.signal_to_noise));
            dot(sheet, [at, y], 4.0, "fill");
            // Below the curve, which falls to the left.
            let ([at, y], side) = if part == 1.0 {
                ([at, y + 38.0], Side::End)
            } else {
                ([at + 8.0, y + 16.0], Side::Start)
            };
            taken.write(sheet, [at, y], side, &short(reached.signal_to_noise));
            taken.write(sheet, [at, y + 14.0], side, &format!("{} frames", reached.frames));
        }
        Ok(())
    }

    /// Frame by frame, or every few of them.
    fn curve(&self, x: &Scale) -> Result<Vec<[f64; 2]>, FieldError> {
        let chart = self.chart;
        let every = (self.chosen.frames / POINTS).max(1);
        let point = |frames: u32| {
            let spent = f64::from(frames) * (chart.exposure_s + chart.pause_s) - chart.pause_s;
            let found = signal_to_noise(&chart.subject, &chart.background, chart.exposure_s, frames)?;
            Ok([x.at(spent), self.y.at(found.ratio)])
        };
        (1..=self.chosen.frames)
            .filter(|n| n % every == 0 || *n == self.chosen.frames)
            .map(point)
            .collect()
    }

    /// What each length makes of the whole time.
    fn over_length(&self, sheet: &mut Sheet) {
        let [left, right] = OVER_LENGTH;
        let lengths = || self.choices.iter().map(|c| c.exposure_s);
        let low = lengths().fold(self.chosen.exposure_s, f64::min).log2() - 0.3;
        let high = lengths().fold(self.chosen.exposure_s, f64::max).log2() + 0.3;
        let x = Scale::new([low, high], OVER_LENGTH);
        let head = format!("of {} in exposures of different length", time(self.chart.total_s));
        sheet.words([left, TOP - 14.0], "", &head);
        let limited = x.at(self.limited_s.max(f64::MIN_POSITIVE).log2());
        if (left..right).contains(&limited) {
            sheet.block([left, TOP], [limited - left, FOOT - TOP], "var(--shade)");
        }
        self.ratios(sheet, OVER_LENGTH);
        for stop in (low.ceil() as i32)..=(high.floor() as i32) {
            let Some(mark) = Setting::Time.marked(3 * stop).filter(|_| stop % 2 == 0) else {
                continue;
            };
            let at = x.at(mark.log2());
            sheet.line("rule", [[at, TOP], [at, FOOT]]);
            sheet.words([at, FOOT + 17.0], "mid soft small", &time(mark));
        }
        let best = self.y.at(self.best);
        sheet.line("thin dash", [[left, best], [right, best]]);
        let at = |c: &Choice| [x.at(c.exposure_s.log2()), self.y.at(c.signal_to_noise)];
        let whole = || self.choices.iter().filter(|c| c.frames > 0).map(at);
        sheet.line("line", whole());
        for place in whole() {
            dot(sheet, place, 2.6, "fill");
        }
        self.limit(sheet, limited);
        self.ring(sheet, at(&self.chosen));
    }

    /// Where read noise adds 5 %.
    fn limit(&self, sheet: &mut Sheet, x: f64) {
        let [left, right] = OVER_LENGTH;
        let shown = (left..right).contains(&x);
        let length = time(self.limited_s);
        let words = [
            format!("read noise adds {:.0} %", READ_NOISE_SHARE * 100.0),
            match (shown, x > right) {
                (true, _) => format!("at {length}, more before"),
                (false, true) => format!("only at {length}, more here"),
                (false, false) => format!("at {length}, less here"),
            },
        ];
        let x = x.clamp(left, right);
        if shown {
            sheet.line("ink", [[x, TOP], [x, FOOT]]);
        }
        let side = if x > (left + right) / 2.0 {
            Side::End
        } else {
            Side::Start
        };
        let mut taken = Taken::default();
        for (line, words) in words.iter().enumerate() {
            let shift = if side == Side::End { -8.0 } else { 8.0 };
            let at = [x + shift, FOOT - 24.0 + 14.0 * line as f64];
            taken.write(sheet, at, side, words);
        }
    }

    fn ring(&self, sheet: &mut Sheet, [x, y]: [f64; 2]) {
        if self.chosen.frames == 0 {
            return;
        }
        dot(sheet, [x, y], 8.0, "line");
        let chosen = &self.chosen;
        let words = [
            format!(
                "{} × {}: {}",
                chosen.frames,
                time(chosen.exposure_s),
                short(chosen.signal_to_noise)
            ),
            format!("{:.0} % of the best", chosen.efficiency * 100.0),
        ];
        let mut taken = Taken::default();
        for (line, words) in words.iter().enumerate() {
            let at = [x + 6.0, y + 26.0 + 14.0 * line as f64];
            let (at, side) = if rect(at, Side::Start, words)[2] < OVER_LENGTH[1] {
                (at, Side::Start)
            } else {
                ([x - 6.0, at[1]], Side::End)
            };
            taken.write(sheet, at, side, words);
        }
    }
}

fn without_reading(background: &PixelBackground) -> PixelBackground {
    PixelBackground {
        read_noise_e: 0.0,
        ..*background
    }
}

fn dot(sheet: &mut Sheet, [x, y]: [f64; 2], radius: f64, class: &str) {
    sheet.put(format_args!(
        "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"{radius}\" class=\"{class}\"/>"
    ));
}

/// Round times up to `total_s`, at most seven, with their words.
fn times(total_s: f64) -> Vec<(f64, String)> {
    const STEPS: [f64; 14] = [
        1.0, 2.0, 5.0, 10.0, 20.0, 60.0, 120.0, 300.0, 600.0, 1200.0, 1800.0, 3600.0, 7200.0, 14_400.0,
    ];
    let step = STEPS.into_iter().find(|s| total_s / s <= 7.0).unwrap_or(total_s);
    let (unit, name) = match step {
        s if s < 60.0 => (1.0, "s"),
        s if s < 3600.0 => (60.0, "min"),
        _ => (3600.0, "h"),
    };
    (0..=(total_s / step) as u32)
        .map(|n| f64::from(n) * step)
        .map(|s| match s {
            s if s > 0.0 => (s, format!("{} {name}", short(s / unit))),
            _ => (s, "0".to_owned()),
        })
        .collect()
}
