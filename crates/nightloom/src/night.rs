//! `nightloom night`.

use clap::Args;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use nightloom_outing::chart::ViewWindow;
use nightloom_sky::Instant;
use nightloom_sky::night::{Night, NightSky, Span, SubjectNight};
use nightloom_sky::subjects::Subject;
use serde_json::Value;

use crate::charts::{ChartArgs, Drawn};
use crate::cli::Common;
use crate::evening::{Evening, EveningError, PlaceArgs, clock, hours, line};
use crate::{Trouble, out};

/// `nightloom night`.
#[derive(Args, Debug)]
pub(crate) struct NightArgs {
    #[command(flatten)]
    pub(crate) place: PlaceArgs,
    /// The date on which the night begins, by the site's clock.
    #[arg(long, value_name = "YYYY-MM-DD")]
    pub(crate) date: Option<Date>,
    /// A subject by name, HIP and a number, or RA,DEC in ICRS degrees; may be given more than once.
    #[arg(long, value_name = "S")]
    pub(crate) subject: Vec<String>,
    #[command(flatten)]
    pub(crate) charts: ChartArgs,
    #[command(flatten)]
    pub(crate) common: Common,
}

pub(crate) fn run(args: &NightArgs) -> Result<Value, Trouble> {
    let evening = args.place.resolve()?;
    let (night, json) = answer(args, &evening)?;
    if !args.common.json {
        tell(&evening, &night);
    }
    if night.dark.is_empty() {
        let sentence = no_dark(&night);
        return Err(Trouble::No { json, sentence });
    }
    Ok(json)
}

fn answer(args: &NightArgs, evening: &Evening) -> Result<(Night, Value), Trouble> {
    args.with_night(evening, |sky, night, subjects| {
        args.charts
            .write(evening, sky, night, subjects, args.common.json)?;
        let mut json = out::value(night);
        json["site"] = evening.json();
        Ok((night.clone(), json))
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
    pub(crate) fn strip_svg(&self) -> Result<String, Trouble> {
        self.drawn(|drawn| Ok(drawn.strip(self.charts.look())))
    }

    /// The view over the skyline, held to azimuths and altitudes if they are given.
    pub(crate) fn view_svg(&self, window: Option<[f64; 4]>) -> Result<(String, ViewGeometry), Trouble> {
        let window = window.map(|[from, to, low, high]| ViewWindow {
            azimuth_deg: [from, to],
            altitude_deg: [low, high],
        });
        self.drawn(|drawn| {
            let (svg, window, framing) = drawn.view(&self.charts, window)?;
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

    fn drawn<T>(&self, draw: impl FnOnce(&Drawn<'_>) -> Result<T, Trouble>) -> Result<T, Trouble> {
        let evening = self.place.resolve()?;
        self.with_night(&evening, |sky, night, subjects| {
            draw(&Drawn::of(&evening, sky, night, subjects)?)
        })
    }

    /// Works out the night asked for and hands it over.
    fn with_night<T>(
        &self,
        evening: &Evening,
        then: impl FnOnce(&NightSky<'_>, &Night, &[Subject]) -> Result<T, Trouble>,
    ) -> Result<T, Trouble> {
        let date = self.date.or(evening.settings.outing.evening);
        let date = date.ok_or(EveningError::NoDate)?;
        let subjects = evening.subjects(&self.subject).map_err(EveningError::from)?;
        let nights = evening.nights(date, date).map_err(EveningError::from)?;
        let sky = nights.sky(date).map_err(EveningError::from)?;
        let night = sky.night(&subjects).map_err(EveningError::from)?;
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
