//! `nightloom night`.

use clap::Args;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use nightloom_outing::chart::{Look, ViewWindow};
use nightloom_outing::evening::{Evening, clock, hours};
use nightloom_sky::Instant;
use nightloom_sky::night::{Night, NightSky, Span, SubjectNight};
use nightloom_sky::subjects::Subject;
use serde_json::Value;

use crate::charts::{ChartArgs, Drawn};
use crate::context::Context;
use crate::failure::Failure;
use crate::out::{self, line};
use crate::place::EveningArgs;

/// `nightloom night`.
#[derive(Args, Debug)]
pub(crate) struct NightArgs {
    #[command(flatten)]
    evening: EveningArgs,
    /// The date on which the night begins, by the site's clock.
    #[arg(long, value_name = "YYYY-MM-DD")]
    date: Option<Date>,
    /// A subject by name, HIP and a number, or RA,DEC in ICRS degrees; may be given more than once.
    #[arg(long, value_name = "S")]
    subject: Vec<String>,
    #[command(flatten)]
    charts: ChartArgs,
}

pub(crate) fn run(args: &NightArgs, context: &Context) -> Result<Value, Failure> {
    let evening = args.evening.resolve(context)?;
    let (night, json) = answer(args, &evening, context.json)?;
    if !context.json {
        tell(&evening, &night);
    }
    if night.dark.is_empty() {
        let sentence = no_dark(&night);
        return Err(Failure::no(json, sentence));
    }
    Ok(json)
}

fn answer(args: &NightArgs, evening: &Evening, json: bool) -> Result<(Night, Value), Failure> {
    args.with_night(evening, |sky, night, subjects| {
        args.charts.write(evening, sky, night, subjects, json)?;
        let mut value = out::value(night);
        value["site"] = evening.json();
        Ok((night.clone(), value))
    })
}

/// What a page needs to move the aim over a view.
#[derive(Debug, serde::Serialize)]
pub(crate) struct ViewGeometry {
    window: ViewWindow,
    /// Left, top, right and foot of the view on the sheet.
    on_sheet: [f64; 4],
    sheet: [f64; 2],
    /// Azimuth and altitude of the picture's middle.
    aim_deg: Option<[f64; 2]>,
}

impl NightArgs {
    /// The night as a strip.
    pub(crate) fn strip_svg(&self, look: Look, context: &Context) -> Result<String, Failure> {
        self.drawn(context, |drawn| Ok(drawn.strip(look)))
    }

    /// The view over the skyline, held to azimuths and altitudes if they are given.
    pub(crate) fn view_svg(
        &self,
        window: Option<[f64; 4]>,
        look: Look,
        context: &Context,
    ) -> Result<(String, ViewGeometry), Failure> {
        let window = window.map(|[from, to, low, high]| ViewWindow {
            azimuth_deg: [from, to],
            altitude_deg: [low, high],
        });
        self.drawn(context, |drawn| {
            let (svg, window, framing) = drawn.view(&self.charts, window, look)?;
            let (on_sheet, sheet) = window.on_sheet();
            let aim_deg = framing.map(|f| [f.azimuth.deg(), f.altitude.deg()]);
            Ok((
                svg,
                ViewGeometry {
                    window,
                    on_sheet,
                    sheet,
                    aim_deg,
                },
            ))
        })
    }

    fn drawn<T>(
        &self,
        context: &Context,
        draw: impl FnOnce(&Drawn<'_>) -> Result<T, Failure>,
    ) -> Result<T, Failure> {
        let evening = self.evening.resolve(context)?;
        self.with_night(&evening, |sky, night, subjects| {
            draw(&Drawn::of(&evening, sky, night, subjects)?)
        })
    }

    /// Works out the night asked for and hands it over.
    fn with_night<T>(
        &self,
        evening: &Evening,
        then: impl FnOnce(&NightSky<'_>, &Night, &[Subject]) -> Result<T, Failure>,
    ) -> Result<T, Failure> {
        let date = evening.date(self.date)?;
        let subjects = evening.subjects(&self.subject)?;
        let nights = evening.nights(date, date)?;
        let sky = nights.sky(date)?;
        let night = sky.night(&subjects)?;
        then(&sky, &night, &subjects)
    }
}

fn no_dark(night: &Night) -> String {
    if night.night.is_empty() {
        "no dark window: the sun stays above -18° all night".into()
    } else {
        format!(
            "no dark window: the moon is up for all of the {} with the sun below -18°",
            hours(night.night_minutes)
        )
    }
}

fn tell(evening: &Evening, night: &Night) {
    let zone = &evening.zone.zone;
    let (window, sun, moon) = (&night.window, &night.sun, &night.moon);
    line(&format!("The night of {} at {}", window.evening, evening.told()));
    line(&evening.zone_told(window.from, window.to));
    line("");
    let row = |what: &str, down: Option<Instant>, up: Option<Instant>| {
        line(&format!("{what:<24}{:<20}{}", shown(zone, down), shown(zone, up)));
    };
    line(&format!("{:<24}{:<20}{}", "the sun's centre", "down", "up"));
    row("horizon      -0.8333°", sun.sunset, sun.sunrise);
    row("civil        -6°", sun.civil_dusk, sun.civil_dawn);
    row("nautical     -12°", sun.nautical_dusk, sun.nautical_dawn);
    row("astronomical -18°", sun.astronomical_dusk, sun.astronomical_dawn);
    line("");
    let list = |all: &[Instant]| match all {
        [] => "none".to_owned(),
        all => all.iter().map(|t| clock(zone, *t)).collect::<Vec<_>>().join(", "),
    };
    line(&format!("{:<24}{}", "moonrise", list(&moon.rises)));
    line(&format!("{:<24}{}", "moonset", list(&moon.sets)));
    line(&format!(
        "{:<24}{:.0} % lit, altitude {:.1}°",
        "moon at midnight",
        moon.illuminated_fraction * 100.0,
        moon.altitude_deg
    ));
    line("");
    line(&format!("{:<24}{}", "sun below -18°", hours(night.night_minutes)));
    line(&format!(
        "{:<24}{}",
        "and no moon: dark",
        hours(night.dark_minutes)
    ));
    spans(zone, &night.dark);
    for subject in &night.subjects {
        tell_subject(zone, subject);
    }
}

fn tell_subject(zone: &TimeZone, subject: &SubjectNight) {
    line("");
    line(&format!("{} ({})", subject.name, subject.kind));
    line(&format!("{:<24}{}", "up and dark", hours(subject.minutes)));
    spans(zone, &subject.windows);
    let culmination = match &subject.culmination {
        Some(c) => format!("{}, altitude {:.1}°", clock(zone, c.at), c.altitude_deg),
        None => "none".into(),
    };
    line(&format!("{:<24}{culmination}", "culmination"));
    if let (Some(cost), Some(best)) = (subject.moon_cost_mag, subject.best_at) {
        line(&format!(
            "{:<24}{} of a dark zenith; the moon costs {:.0} tenths of a magnitude; best at {}",
            "worth, moonlit too",
            hours(subject.graded_minutes),
            cost * 10.0,
            clock(zone, best)
        ));
    }
}

fn spans(zone: &TimeZone, spans: &[Span]) {
    for span in spans {
        line(&format!(
            "{:<24}{} to {}",
            "",
            clock(zone, span.from),
            clock(zone, span.to)
        ));
    }
}

fn shown(zone: &TimeZone, at: Option<Instant>) -> String {
    at.map_or("none".into(), |at| clock(zone, at))
}
