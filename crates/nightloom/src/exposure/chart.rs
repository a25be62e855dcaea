//! What `nightloom exposure` draws, and the choices behind it.

use std::path::PathBuf;

use clap::Args;
use nightloom_chart::{Look, SignalChart, ladder_chart, signal_chart};
use nightloom_optics::noise::{
    Choice, Collected, PixelBackground, READ_NOISE_SHARE, choices, sky_e_per_s, sky_limited_s,
};
use nightloom_optics::{Exposure, LadderLimits, Setting, Written, ladder, solve};
use nightloom_outing::{short, time_words};
use serde_json::{Value, json};

use super::{ExposureArgs, camera, limit_s, limits};
use crate::failure::Failure;
use crate::out;
use crate::told::need;

/// A subject of which nothing is said is so much fainter than the sky: a tenth of its light, as in the
/// outer Milky Way. Common practice, no source.
const FAINTER_MAG: f64 = 2.5;
/// Time to spend of which nothing is said, seconds.
const TOTAL_S: f64 = 3600.0;

/// Chart, and time to spend.
#[derive(Args, Clone, Debug)]
pub(super) struct ChartArgs {
    /// Write a chart, as SVG, PNG or PDF by the ending of the name: the ladder from --from to --to or to its limits; with --sky signal-to-noise
    #[arg(long = "chart", value_name = "FILE", value_parser = crate::out::chart_name)]
    pub(super) file: Option<PathBuf>,
    /// Red on black instead of black on white
    #[arg(long, requires = "file")]
    red: bool,
    /// With --sky: the subject over the sky, mag/arcsec² in V; 2.5 fainter than the sky when not given
    #[arg(long, value_name = "MAG", value_parser = crate::told::number, allow_hyphen_values = true, requires = "sky_told")]
    subject: Option<f64>,
    /// With --sky: time to spend, like 90min; an hour when not given
    #[arg(long, value_name = "TIME", allow_hyphen_values = true, requires = "sky_told")]
    total: Option<String>,
    /// With --sky: pause between two exposures, like 2s; none when not given
    #[arg(long, value_name = "TIME", allow_hyphen_values = true, requires = "sky_told")]
    pause: Option<String>,
    /// With --sky: length of one exposure, like 60s; where read noise adds 5 % when not given
    #[arg(long, value_name = "TIME", allow_hyphen_values = true, requires = "sky_told")]
    sub: Option<String>,
    /// With --sky: dark current, electrons per second and pixel
    #[arg(long, value_name = "E", value_parser = crate::told::number, default_value_t = 0.0, allow_hyphen_values = true, requires = "sky_told")]
    dark: f64,
}

impl ChartArgs {
    pub(super) fn asks_for_signal(&self) -> bool {
        self.file.is_some() || self.subject.is_some() || self.total.is_some() || self.sub.is_some()
    }
}

/// Writes the chart, if one is asked for.
pub(super) fn write(args: &ExposureArgs, json: bool) -> Result<(), Failure> {
    let Some(file) = &args.chart.file else {
        return Ok(());
    };
    out::chart(file, &draw(args, Look::red(args.chart.red))?, json)
}

/// Signal-to-noise where there is a sky, else the ladder.
pub(super) fn draw(args: &ExposureArgs, look: Look) -> Result<String, Failure> {
    match args.sky {
        Some(mag) => Signal::new(mag, args)?.draw(look),
        None => draw_ladder(args, look),
    }
}

fn draw_ladder(args: &ExposureArgs, look: Look) -> Result<String, Failure> {
    let before = Written::parse(
        "--from",
        need(args.from.as_ref(), "--from", "\"15s f/2.8 ISO6400\"")?,
    )?;
    let from = before.complete("--from")?;
    let mut limits = limits(args)?;
    let mut shorter = args.shorter;
    if let (Some(to), false) = (&args.to, args.ladder) {
        let after = Written::parse("--to", to)?;
        if after.left_open("--to")?.is_some() {
            let to = solve(&before, &after)?.to;
            shorter = to.seconds < from.seconds;
            limits = up_to(&limits, &from, &to);
        }
    }
    let step = if shorter { -args.step } else { args.step };
    Ok(ladder_chart(&ladder(&from, step, &limits)?, &limits, look))
}

/// Limits that let a ladder go from one exposure to another, where none are given.
fn up_to(limits: &LadderLimits, from: &Exposure, to: &Exposure) -> LadderLimits {
    LadderLimits {
        longest_s: limits.longest_s.or(Some(from.seconds.max(to.seconds))),
        shortest_s: limits.shortest_s.or(Some(from.seconds.min(to.seconds))),
        highest_iso: limits.highest_iso.or(Some(from.iso.max(to.iso))),
        lowest_iso: limits.lowest_iso.or(Some(from.iso.min(to.iso))),
        widest: limits.widest.or(Some(from.f_number.min(to.f_number))),
        narrowest: limits.narrowest.or(Some(from.f_number.max(to.f_number))),
    }
}

/// A subject under a sky, with the time to spend.
pub(super) struct Signal {
    told: String,
    subject_mag: f64,
    rate: f64,
    background: PixelBackground,
    total_s: f64,
    pause_s: f64,
    exposure_s: f64,
}

impl Signal {
    pub(super) fn new(sky_mag: f64, args: &ExposureArgs) -> Result<Self, Failure> {
        let (path, read_noise_e) = camera(args)?;
        let chart = &args.chart;
        let subject_mag = chart.subject.unwrap_or(sky_mag + FAINTER_MAG);
        let background = PixelBackground {
            sky_e_per_s: sky_e_per_s(sky_mag, &path)?,
            dark_e_per_s: chart.dark,
            read_noise_e,
        };
        background.check()?;
        let limited_s = sky_limited_s(background.sky_e_per_s, read_noise_e, READ_NOISE_SHARE)?;
        let total_s = limit_s("--total", chart.total.as_deref())?.unwrap_or(TOTAL_S);
        let sub = limit_s("--sub", chart.sub.as_deref())?;
        Ok(Self {
            told: format!(
                "subject {} mag/arcsec² under a sky of {} · f/{} · read noise {} e⁻",
                short(subject_mag),
                short(sky_mag),
                short(path.f_number),
                short(read_noise_e)
            ),
            subject_mag,
            rate: sky_e_per_s(subject_mag, &path)?,
            background,
            total_s,
            pause_s: limit_s("--pause", chart.pause.as_deref())?.unwrap_or(0.0),
            exposure_s: sub.unwrap_or_else(|| mark_above(limited_s).min(total_s)),
        })
    }

    fn subject(&self) -> Collected {
        Collected::Extended { e_per_s: self.rate }
    }

    /// Two stops to both sides of the length chosen.
    fn choices(&self) -> Result<Vec<Choice>, Failure> {
        let lengths = [0.25, 0.5, 1.0, 2.0, 4.0].map(|by| self.exposure_s * by);
        Ok(choices(
            &self.subject(),
            &self.background,
            self.total_s,
            self.pause_s,
            &lengths,
        )?)
    }

    pub(super) fn tell(&self, quiet: bool) -> Result<(), Failure> {
        let say = |line: &str| out::result(line, quiet);
        say(&format!(
            "{} on {} mag/arcsec², signal-to-noise of a pixel:",
            time_words(self.total_s),
            short(self.subject_mag)
        ));
        for choice in self.choices()?.iter().filter(|c| c.frames > 0) {
            say(&format!(
                "  {:>5} × {:<14} {:>7.2}   read noise adds {:.1} %",
                choice.frames,
                time_words(choice.exposure_s),
                choice.signal_to_noise,
                choice.read_noise_adds * 100.0
            ));
        }
        Ok(())
    }

    pub(super) fn json(&self) -> Result<Value, Failure> {
        Ok(json!({
            "subject_mag": self.subject_mag,
            "subject_e_per_s": self.rate,
            "total_s": self.total_s,
            "pause_s": self.pause_s,
            "exposure_s": self.exposure_s,
            "choices": self.choices()?,
        }))
    }

    fn draw(&self, look: Look) -> Result<String, Failure> {
        let chart = SignalChart {
            told: &self.told,
            subject: self.subject(),
            background: self.background,
            total_s: self.total_s,
            pause_s: self.pause_s,
            exposure_s: self.exposure_s,
        };
        Ok(signal_chart(&chart, look)?)
    }
}

/// The first mark not below a time; the time itself beyond the series.
fn mark_above(seconds: f64) -> f64 {
    let marks = Setting::Time.marks();
    marks.into_iter().find(|m| *m >= seconds).unwrap_or(seconds)
}
