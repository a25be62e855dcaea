//! The crates' charts, drawn for whoever asks.

use std::sync::Arc;

use axum::extract::{Path, Query as UrlQuery, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};

use maud::{Markup, html};
use nightloom_outing::chart;

use super::app::App;
use super::line::{Query, read};
use super::night::address;
use super::page::Look;
use super::pole;
use super::reply::{Failed, aside, svg};
use super::words;
use crate::exposure::ExposureArgs;
use crate::night::NightArgs;
use crate::pole::PoleArgs;
use crate::trail::TrailArgs;
use crate::year::YearArgs;

/// What the night's charts may be asked.
pub(super) const NIGHT: [&str; 7] = ["date", "subject", "focal", "sensor", "aim", "frames", "overlap"];
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
pub(super) fn figure(app: &App, name: &str, query: &Query, kept: &[&str], look: Look, alt: &str) -> Markup {
    match draw(app, name, query) {
        Ok(_) => html! {
            figure { img class="chart" loading="lazy" src=(format!("/chart/{name}{}", address(query, kept, look))) alt=(alt); }
        },
        Err(failed) => html! { p class="wrong" { (failed.1) } },
    }
}

pub(super) async fn chart(
    State(app): State<Arc<App>>,
    Path(name): Path<String>,
    UrlQuery(query): UrlQuery<Query>,
) -> Response {
    match aside(move || draw(&app, &name, &query)).await {
        Ok(Ok(Drawn::Svg(text))) => svg(text),
        Ok(Ok(Drawn::Json(value))) => axum::Json(value).into_response(),
        Ok(Err(failed)) | Err(failed) => failed.into_response(),
    }
}

enum Drawn {
    Svg(String),
    Json(serde_json::Value),
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
    let night = |query: &Query| read::<NightArgs>(query, &NIGHT, &["red", "portrait"], &[&folder]);
    match name {
        "strip.svg" => Ok(Drawn::Svg(night(&query)?.strip_svg()?)),
        "view.svg" => Ok(Drawn::Svg(night(&query)?.view_svg(window(&query))?.0)),
        "view.json" => {
            let bounds = night(&query)?.view_svg(window(&query))?.1;
            Ok(Drawn::Json(crate::out::value(&bounds)))
        }
        "year.svg" => {
            let args: YearArgs = read(&query, &["year", "subject"], &["red"], &[&folder])?;
            Ok(Drawn::Svg(args.svg()?))
        }
        "ladder.svg" => {
            let args: ExposureArgs = read(&query, &LADDER, &[], &[])?;
            Ok(Drawn::Svg(args.svg(look)?))
        }
        "signal.svg" => {
            let args: ExposureArgs = read(&query, &SIGNAL, &[], &[])?;
            Ok(Drawn::Svg(args.svg(look)?))
        }
        "trail.svg" => {
            let args: TrailArgs = read(&query, &TRAIL, &["refraction"], &[])?;
            Ok(Drawn::Svg(args.svg(look)?))
        }
        "sight.svg" => {
            let query = pole::completed(&app.settings()?, query);
            let args: PoleArgs = read(&query, &POLE, &["inverted", "mirrored"], &[])?;
            Ok(Drawn::Svg(args.svg(&app.door, look)?))
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
