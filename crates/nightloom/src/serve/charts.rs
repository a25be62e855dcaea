//! The crates' charts, drawn for whoever asks.

use std::sync::Arc;

use axum::extract::{Path, Query as UrlQuery, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};

use jiff::civil::Date;
use maud::{Markup, html};
use nightloom_outing::chart;
use nightloom_sky::night::Year;

use super::app::App;
use super::line::{Query, read};
use super::night::address;
use super::page::Shown;
use super::pole;
use super::reply::{Failed, aside, svg};
use super::words;
use crate::evening::Shows;
use crate::exposure::ExposureArgs;
use crate::night::NightArgs;
use crate::pole::PoleArgs;
use crate::trail::TrailArgs;
use crate::year::YearArgs;

/// What the night's charts may be asked.
pub(super) const NIGHT: [&str; 7] = ["date", "subject", "focal", "sensor", "aim", "frames", "overlap"];
/// What the year may be asked.
const YEAR: [&str; 2] = ["year", "subject"];
/// What the ladder may be asked.
pub(super) const LADDER: [&str; 8] = [
    "from",
    "to",
    "step",
    "longest",
    "shortest",
    "highest-iso",
    "lowest-iso",
    "narrowest",
];
/// What signal-to-noise may be asked.
pub(super) const SIGNAL: [&str; 10] = [
    "sky",
    "f-number",
    "pitch",
    "qe",
    "transmission",
    "read-noise",
    "total",
    "pause",
    "sub",
    "dark",
];
/// What the map of trails may be asked.
pub(super) const TRAIL: [&str; 12] = [
    "lat",
    "dec",
    "ha",
    "focal",
    "pitch",
    "exposure",
    "sensor",
    "axis-alt",
    "axis-az",
    "rate",
    "gear-error",
    "gear-period",
];
/// What the pole may be asked.
pub(super) const POLE: [&str; 7] = ["lat", "lon", "elevation", "focal", "pitch", "exposure", "sight"];
/// What the shot list may be asked.
pub(super) const SHOTS: [&str; 7] = [
    "date",
    "subject",
    "sky-exposure",
    "sky-frames",
    "land-exposure",
    "land-frames",
    "land-light",
];

/// A chart on a page, or the sentence why there is none.
pub(super) fn figure(app: &App, name: &str, query: &Query, kept: &[&str], shown: Shown, alt: &str) -> Markup {
    match drawn(app, name, query) {
        Ok(_) => scrolled(&format!("/chart/{name}{}", address(query, kept, shown)), alt),
        Err(failed) => html! { p class="wrong" { (failed.1) } },
    }
}

/// A chart that a narrow screen scrolls, by keys too.
pub(super) fn scrolled(src: &str, alt: &str) -> Markup {
    html! {
        figure tabindex="0" aria-label=(alt) { img class="chart" loading="lazy" src=(src) alt=(alt); }
    }
}

pub(super) async fn chart(
    State(app): State<Arc<App>>,
    Path(name): Path<String>,
    UrlQuery(query): UrlQuery<Query>,
) -> Response {
    match aside(move || drawn(&app, &name, &query)).await {
        Ok(Ok(Drawn::Svg(text))) => svg(text),
        Ok(Ok(Drawn::Json(value))) => axum::Json(&*value).into_response(),
        Ok(Err(failed)) | Err(failed) => failed.into_response(),
    }
}

/// A chart, or what a page needs to know of one.
#[derive(Clone)]
pub(super) enum Drawn {
    /// To be shown.
    Svg(Arc<str>),
    /// To be reckoned with.
    Json(Arc<serde_json::Value>),
}

impl Drawn {
    fn svg(text: String) -> Self {
        Self::Svg(text.into())
    }

    /// What it takes, roughly.
    pub(super) fn bytes(&self) -> usize {
        match self {
            Self::Svg(text) => text.len(),
            Self::Json(_) => 512,
        }
    }
}

/// The chart that was drawn for the same question of the same outing, or a new one.
fn drawn(app: &App, name: &str, query: &Query) -> Result<Drawn, Failed> {
    // The sight's picture is of this moment.
    if name == "sight.svg" {
        return draw(app, name, query);
    }
    let key = format!("{name} {} {query:?}", app.state()?);
    app.charts.get(&key, || draw(app, name, query))
}

/// The nights of the year that a page asks about, or else of the outing's, worked out before their chart is asked for:
/// when the outing is opened or changed, and when the night's page is made.
pub(super) fn year_ahead(app: &App, asked: &Query) {
    let of = |name: &str| asked.get(name).filter(|v| !v.is_empty());
    let date = of("date").and_then(|d| d.parse::<Date>().ok());
    let date = date.or_else(|| app.settings().ok()?.outing.evening);
    let Some(year) = date.map(|d| d.year()) else {
        return;
    };
    let mut query = Query::from([("year".to_owned(), year.to_string())]);
    query.extend(of("subject").map(|s| ("subject".to_owned(), s.clone())));
    // What cannot be worked out is told when somebody looks.
    let _ = read(&query, &YEAR, &[], &[&app.folder.display().to_string()])
        .and_then(|args: YearArgs| nights_of_year(app, &args));
}

fn nights_of_year(app: &App, args: &YearArgs) -> Result<Arc<(String, Year)>, Failed> {
    let subject = args.subject.clone().or(app.settings()?.outing.subject);
    let key = format!(
        "{} {} {subject:?} {:?}",
        app.state()?,
        args.year,
        args.place.shows
    );
    app.years.get(&key, || Ok(Arc::new(args.worked()?)))
}

fn draw(app: &App, name: &str, query: &Query) -> Result<Drawn, Failed> {
    let mut query = query.clone();
    let look = if query.get("look").is_some_and(|l| l == "red") {
        query.insert("red".into(), "1".into());
        chart::Look::Red
    } else {
        chart::Look::Day
    };
    let folder = app.folder.display().to_string();
    let told = |name: &str, word: &str| query.get(name).is_some_and(|v| v == word);
    let shows = Shows {
        feet: told("units", "imperial"),
        utc: told("time", "utc"),
    };
    let night = |query: &Query| {
        let mut args: NightArgs = read(query, &NIGHT, &["red", "portrait"], &[&folder])?;
        args.place.shows = shows;
        Ok::<_, Failed>(args)
    };
    match name {
        "strip.svg" => Ok(Drawn::svg(night(&query)?.strip_svg()?)),
        "view.svg" => Ok(Drawn::svg(night(&query)?.view_svg(window(&query))?.0)),
        "view.json" => {
            let bounds = night(&query)?.view_svg(window(&query))?.1;
            Ok(Drawn::Json(Arc::new(crate::out::value(&bounds))))
        }
        "year.svg" => {
            let mut args: YearArgs = read(&query, &YEAR, &["red"], &[&folder])?;
            args.place.shows = Shows { utc: false, ..shows };
            let nights = nights_of_year(app, &args)?;
            Ok(Drawn::svg(args.draw(&nights.0, &nights.1)))
        }
        "ladder.svg" => {
            let args: ExposureArgs = read(&query, &LADDER, &[], &[])?;
            Ok(Drawn::svg(args.svg(look)?))
        }
        "signal.svg" => {
            let args: ExposureArgs = read(&query, &SIGNAL, &[], &[])?;
            Ok(Drawn::svg(args.svg(look)?))
        }
        "trail.svg" => {
            let args: TrailArgs = read(&query, &TRAIL, &["refraction"], &[])?;
            Ok(Drawn::svg(args.svg(look)?))
        }
        "sight.svg" => {
            let query = pole::completed(&app.settings()?, query);
            let mut args: PoleArgs = read(&query, &POLE, &["inverted", "mirrored"], &[])?;
            args.standpoint.shows = shows;
            Ok(Drawn::svg(args.svg(&app.door, look)?))
        }
        _ => Err(Failed(StatusCode::NOT_FOUND, words::NOTHING_HERE.into())),
    }
}

/// The part of the view that a page holds still while the aim moves: four numbers.
fn window(query: &Query) -> Option<[f64; 4]> {
    let numbers: Vec<f64> = query
        .get("window")?
        .split(',')
        .filter_map(|n| n.parse().ok())
        .collect();
    let window: [f64; 4] = numbers.try_into().ok()?;
    let [from, to, low, high] = window;
    let fits = window.iter().all(|n| n.is_finite())
        && (20.0..=360.0).contains(&(to - from))
        && high - low >= 5.0
        && low >= -90.0
        && high <= 90.0;
    fits.then_some(window)
}
