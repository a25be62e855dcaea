//! `nightloom night`.

use clap::Args;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use nightloom_chart::{Look, ViewWindow};
use nightloom_outing::evening::{
    Evening, SunAlways, aim_words, clock_short, compass_point, hours, sun_always, why_no_dark, why_no_window,
};
use nightloom_outing::typed;
use nightloom_sky::Instant;
use nightloom_sky::night::{Night, NightSky, Pointing, Span, SubjectNight};
use nightloom_sky::subjects::Subject;
use serde_json::{Value, json};

use crate::charts::{Aimed, ChartArgs, Drawn};
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
    #[arg(long, value_name = "YYYY-MM-DD", value_parser = typed::date)]
    date: Option<Date>,
    /// Another night to show beside it: its figures in a second column, and --strip with both.
    #[arg(long, value_name = "YYYY-MM-DD", value_parser = typed::date)]
    beside: Option<Date>,
    /// A subject by name, HIP and a number, or RA,DEC in ICRS degrees; may be given more than once.
    #[arg(long, value_name = "S")]
    subject: Vec<String>,
    #[command(flatten)]
    charts: ChartArgs,
}

pub(crate) fn run(args: &NightArgs, context: &Context) -> Result<Value, Failure> {
    let evening = args.evening.resolve(context)?;
    let (night, aimed, mut json) = answer(args, &evening, context.json)?;
    let beside = args
        .beside
        .map(|date| args.with_night_of(&evening, date, |_, night, _| Ok(night.clone())));
    let beside = beside.transpose()?;
    if let Some(beside) = &beside {
        json["beside"] = out::value(beside);
        if !context.json {
            side_by_side(&evening, [&night, beside]);
        }
        return Ok(json);
    }
    if !context.json {
        tell(&evening, &night);
        if let Some(aimed) = &aimed {
            tell_aim(&evening, aimed);
        }
    }
    match no_dark(&evening, &night)? {
        Some(sentence) => {
            json["why"] = json!(sentence);
            json["next_dark_evening"] = json!(evening.next_dark(night.window.evening)?.map(|(date, _)| date));
            Err(Failure::no(json, sentence))
        }
        None => Ok(json),
    }
}

fn answer(args: &NightArgs, evening: &Evening, json: bool) -> Result<(Night, Option<Aimed>, Value), Failure> {
    args.with_night(evening, |sky, night, subjects| {
        let aimed = match (&args.beside, &args.charts.strip) {
            (Some(date), Some(file)) => {
                let left = Drawn::of(evening, sky, night, subjects)?;
                args.with_night_of(evening, *date, |sky, night, subjects| {
                    let right = Drawn::of(evening, sky, night, subjects)?;
                    out::chart(file, &left.strip_beside(&right, args.charts.look()), json)
                })?;
                args.charts
                    .without_strip()
                    .write(evening, sky, night, subjects, json)?
            }
            _ => args.charts.write(evening, sky, night, subjects, json)?,
        };
        let mut value = out::value(night);
        value["site"] = evening.json();
        for (n, subject) in night.subjects.iter().enumerate() {
            value["subjects"][n]["why"] = json!(why_no_window(night, subject));
        }
        // Without a subject there is nothing to aim at.
        let aimed = aimed.filter(|_| !subjects.is_empty() || args.charts.aim.is_some());
        if let Some(aimed) = &aimed {
            value["view"] = out::value(aimed);
        }
        Ok((night.clone(), aimed, value))
    })
}

/// What a page needs to move the aim over a view.
#[derive(Debug, serde::Serialize)]
pub(crate) struct ViewGeometry {
    window: ViewWindow,
    /// Left, top, right and foot of the view on the sheet.
    on_sheet: [f64; 4],
    sheet: [f64; 2],
    /// The moment shown, and the night that it is of.
    at: Instant,
    clock: String,
    night: [Instant; 2],
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
            let at = drawn.shown_at(&self.charts)?;
            Ok((
                svg,
                ViewGeometry {
                    window,
                    on_sheet,
                    sheet,
                    at,
                    clock: drawn.clock(at),
                    night: drawn.span(),
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
        self.with_night_of(evening, evening.date(self.date)?, then)
    }

    fn with_night_of<T>(
        &self,
        evening: &Evening,
        date: Date,
        then: impl FnOnce(&NightSky<'_>, &Night, &[Subject]) -> Result<T, Failure>,
    ) -> Result<T, Failure> {
        let subjects = evening.subjects(&self.subject)?;
        let nights = evening.nights(date, date)?;
        let sky = nights.sky(date)?;
        let night = sky.night(&subjects)?;
        then(&sky, &night, &subjects)
    }
}

/// Two nights in two columns.
fn side_by_side(evening: &Evening, nights: [&Night; 2]) {
    let zone = &evening.hours;
    let row = |what: &str, of: &dyn Fn(&Night) -> String| {
        let [left, right] = nights.map(of);
        line(&format!("{what:<26}{left:<24}{right}"));
    };
    line(&format!("Two nights at {}", evening.told()));
    line(&evening.zone_told(nights[0].window.from, nights[1].window.to));
    line("");
    let clock = |at: Option<Instant>| at.map_or("–".to_owned(), |at| clock_short(zone, at));
    row("night of", &|n| n.window.evening.to_string());
    row("sunset", &|n| clock(n.sun.sunset));
    row("astronomical dusk", &|n| clock(n.sun.astronomical_dusk));
    row("astronomical dawn", &|n| clock(n.sun.astronomical_dawn));
    row("sunrise", &|n| clock(n.sun.sunrise));
    row("moonrise", &|n| clock(n.moon.rises.first().copied()));
    row("moonset", &|n| clock(n.moon.sets.first().copied()));
    row("moon lit", &|n| {
        format!("{:.0} %", n.moon.illuminated_fraction * 100.0)
    });
    row("dark, without moon", &|n| match why_no_dark(n) {
        Some(_) => "none".into(),
        None => hours(n.dark_minutes),
    });
    for i in 0..nights[0].subjects.len() {
        let of = |n: &'_ Night| n.subjects[i].clone();
        line("");
        line(&nights[0].subjects[i].name);
        row("up, dark, no moon", &|n| hours(of(n).minutes));
        row("worth at a dark zenith", &|n| hours(of(n).graded_minutes));
        row("best at", &|n| clock(of(n).best_at));
        row("then", &|n| {
            let subject = of(n);
            let aim = subject.pointing.first().map(|p| &p.best);
            aim.map_or("–".to_owned(), |aim| {
                format!(
                    "{:.0}° {}, {:.0}° high",
                    aim.azimuth_deg.round(),
                    compass_point(aim.azimuth_deg),
                    aim.altitude_deg
                )
            })
        });
    }
    for night in nights {
        if let Some(why) = why_no_dark(night) {
            line("");
            line(&format!("{}: no dark window: {why}.", night.window.evening));
        }
    }
}

/// Why it is not dark, and when it is.
fn no_dark(evening: &Evening, night: &Night) -> Result<Option<String>, Failure> {
    let Some(why) = why_no_dark(night) else {
        return Ok(None);
    };
    let next = evening.next_dark_words(night.window.evening)?;
    Ok(Some(format!("no dark window: {why}; {next}")))
}

fn tell(evening: &Evening, night: &Night) {
    let zone = &evening.hours;
    let (window, moon) = (&night.window, &night.moon);
    line(&format!("The night of {} at {}", window.evening, evening.told()));
    line(&evening.zone_told(window.from, window.to));
    line("");
    let row = |what: &str, figure: String| line(&format!("{what:<24}{figure}"));
    match sun_always(night) {
        Some(SunAlways::Up) => row("midnight sun", "the sun does not set".into()),
        Some(SunAlways::Down) => row("polar night", "the sun does not rise".into()),
        None => {}
    }
    for (what, at) in course(night) {
        row(what, clock_short(zone, at));
    }
    row(
        "moon at midnight",
        match moon.altitude_deg {
            up if up > 0.0 => format!("{:.0} % lit, {up:.0}° high", moon.illuminated_fraction * 100.0),
            _ => format!(
                "{:.0} % lit, below the horizon",
                moon.illuminated_fraction * 100.0
            ),
        },
    );
    line("");
    row(
        &format!("sun below {:.0}°", night.dark_limit_deg),
        hours(night.night_minutes),
    );
    row("dark, without moon", hours(night.dark_minutes));
    spans(zone, &night.dark);
    for subject in &night.subjects {
        tell_subject(zone, night, subject);
    }
}

/// What happens in the night, in the order of time.
fn course(night: &Night) -> Vec<(&'static str, Instant)> {
    let sun = &night.sun;
    let events = [
        ("sunset", sun.sunset),
        ("civil dusk", sun.civil_dusk),
        ("nautical dusk", sun.nautical_dusk),
        ("astronomical dusk", sun.astronomical_dusk),
        ("astronomical dawn", sun.astronomical_dawn),
        ("nautical dawn", sun.nautical_dawn),
        ("civil dawn", sun.civil_dawn),
        ("sunrise", sun.sunrise),
    ];
    let mut all: Vec<(&str, Instant)> = events
        .into_iter()
        .filter_map(|(what, at)| Some((what, at?)))
        .collect();
    all.extend(night.moon.rises.iter().map(|at| ("moonrise", *at)));
    all.extend(night.moon.sets.iter().map(|at| ("moonset", *at)));
    all.sort_by_key(|(_, at)| *at);
    all
}

fn tell_subject(zone: &TimeZone, night: &Night, subject: &SubjectNight) {
    line("");
    line(&format!("{} ({})", subject.name, subject.kind));
    line(&format!("{:<24}{}", "up, dark, no moon", hours(subject.minutes)));
    spans(zone, &subject.windows);
    if let Some(c) = &subject.culmination {
        let when = clock_short(zone, c.at);
        line(&format!("{:<24}{when}, {:.0}° high", "highest", c.altitude_deg));
    }
    if let (Some(cost), Some(best)) = (subject.moon_cost_mag, subject.best_at) {
        let moon = match cost {
            c if c < 0.05 => String::new(),
            c => format!(" The moon brightens the sky by {c:.1} mag."),
        };
        line(&format!(
            "Worth {} under a dark, moonless zenith; best at {}.{moon}",
            hours(subject.graded_minutes),
            clock_short(zone, best)
        ));
    }
    for pointing in &subject.pointing {
        where_to_point(zone, pointing);
    }
    if let Some(why) = why_no_window(night, subject) {
        line(&format!("No window: {why}."));
    }
}

/// Where the camera is aimed, and what it holds there.
fn tell_aim(evening: &Evening, aimed: &Aimed) {
    let [azimuth, altitude] = aimed.held.aim_deg;
    line("");
    line(&format!(
        "Aim of the picture at {}: azimuth {azimuth:.0}° {}, {altitude:.0}° high",
        clock_short(&evening.hours, aimed.at),
        compass_point(azimuth)
    ));
    line(&aimed.held.words);
    let [columns, rows] = aimed.frames;
    if columns * rows > 1 {
        line(&format!(
            "{columns} × {rows} frames with {:.0} % in common; nightloom shots --panorama {columns}x{rows} lists each.",
            aimed.overlap_percent
        ));
    }
}

/// Where to point at the beginning, the best moment and the end of a window.
fn where_to_point(zone: &TimeZone, pointing: &Pointing) {
    line(if pointing.moonlit {
        "Where to point, in moonlight:"
    } else {
        "Where to point:"
    });
    let [start, best, end] = [&pointing.start, &pointing.best, &pointing.end];
    for (what, aim) in [("from", start), ("best", best), ("to", end)] {
        line(&format!(
            "  {what:<6}{}  {}",
            clock_short(zone, aim.at),
            aim_words(aim)
        ));
    }
}

fn spans(zone: &TimeZone, spans: &[Span]) {
    for span in spans {
        line(&format!(
            "{:<24}{} to {}",
            "",
            clock_short(zone, span.from),
            clock_short(zone, span.to)
        ));
    }
}
