//! The crates' charts, drawn for whoever asks.

use std::sync::Arc;

use axum::extract::{Path, Query as UrlQuery, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};

use jiff::civil::Date;
use maud::{Markup, html};
use nightloom_chart::{ChartFormat, Look, chart_file, year_cells, year_chart};
use nightloom_outing::evening::{Shows, hours};
use nightloom_sky::night::Year;
use serde_json::json;

use super::app::App;
use super::line::{Query, question};
use super::night::address;
use super::page::Shown;
use super::pole;
use super::reply::{Failed, as_file, aside, svg};
use super::words;
use crate::program::{Drawing, Question};

/// What the night's charts may be asked.
pub(super) const NIGHT: [&str; 8] = [
    "date", "subject", "focal", "sensor", "aim", "frames", "overlap", "view-at",
];
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
pub(super) const POLE: [&str; 4] = ["focal", "pitch", "exposure", "sight"];
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
        p class="soft" {
            (words::SAVE_AS)
            @for ending in ["svg", "png", "pdf"] {
                " " a href=(src.replacen(".svg", &format!(".{ending}"), 1)) download { (ending.to_uppercase()) }
            }
        }
    }
}

pub(super) async fn chart(
    State(app): State<Arc<App>>,
    Path(name): Path<String>,
    UrlQuery(query): UrlQuery<Query>,
) -> Response {
    let format = ChartFormat::of(name.as_ref()).filter(|format| *format != ChartFormat::Svg);
    if let Some(format) = format {
        return match aside(move || file(&app, &name, &query, format)).await {
            Ok(Ok(bytes)) => as_file(bytes, format),
            Ok(Err(failed)) | Err(failed) => failed.into_response(),
        };
    }
    match aside(move || drawn(&app, &name, &query)).await {
        Ok(Ok(Drawn::Svg(text))) => svg(text),
        Ok(Ok(Drawn::Json(value))) => axum::Json(&*value).into_response(),
        Ok(Err(failed)) | Err(failed) => failed.into_response(),
    }
}

/// The chart of that name as PNG or PDF.
fn file(app: &App, name: &str, query: &Query, format: ChartFormat) -> Result<Vec<u8>, Failed> {
    let stem = name.rsplit_once('.').map_or(name, |(stem, _)| stem);
    match drawn(app, &format!("{stem}.svg"), query)? {
        Drawn::Svg(text) => {
            let made = chart_file(&text, format);
            made.map(|made| made.bytes)
                .map_err(|e| Failed(StatusCode::UNPROCESSABLE_ENTITY, e.to_string()))
        }
        Drawn::Json(_) => Err(Failed(StatusCode::NOT_FOUND, words::NOTHING_HERE.into())),
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
            Self::Json(value) => value["cells"].as_array().map_or(512, |cells| 64 * cells.len()),
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
    let _ = nights_of_year(
        app,
        &question(&query, &YEAR, &[], &[&app.folder.display().to_string()]),
    );
}

fn nights_of_year(app: &App, asked: &Question) -> Result<Arc<(String, Vec<Year>)>, Failed> {
    let key = format!("{} {:?} {:?}", app.state()?, asked.words, asked.shows);
    app.years.get(&key, || Ok(Arc::new(app.program.year(asked)?)))
}

fn draw(app: &App, name: &str, query: &Query) -> Result<Drawn, Failed> {
    let told = |name: &str, word: &str| query.get(name).is_some_and(|v| v == word);
    let look = if told("look", "red") { Look::Red } else { Look::Day };
    let shows = Shows {
        feet: told("units", "imperial"),
        fahrenheit: told("units", "imperial"),
        utc: told("time", "utc"),
    };
    let folder = app.folder.display().to_string();
    let night = || question(query, &NIGHT, &["portrait"], &[&folder]);
    let (drawing, asked) = match name {
        "strip.svg" => (Drawing::Strip, night()),
        "view.svg" | "view.json" => (Drawing::View(window(query)), night()),
        "ladder.svg" => (Drawing::Exposure, question(query, &LADDER, &[], &[])),
        "signal.svg" => (Drawing::Exposure, question(query, &SIGNAL, &[], &[])),
        "trail.svg" => (Drawing::Trails, question(query, &TRAIL, &["refraction"], &[])),
        "sight.svg" => {
            let query = pole::completed(&app.settings()?, query.clone());
            (Drawing::Sight, pole::asked(app, &query))
        }
        "year.svg" | "year.json" => {
            let mut asked = question(query, &YEAR, &[], &[&folder]);
            asked.shows.feet = shows.feet;
            let nights = nights_of_year(app, &asked)?;
            if name == "year.json" {
                return Ok(Drawn::Json(Arc::new(where_nights_are(&nights.1))));
            }
            return Ok(Drawn::svg(year_chart(&nights.1, &nights.0, look)));
        }
        _ => return Err(Failed(StatusCode::NOT_FOUND, words::NOTHING_HERE.into())),
    };
    let chart = app.program.draw(drawing, &Question { shows, look, ..asked })?;
    Ok(match name {
        "view.json" => Drawn::Json(Arc::new(chart.geometry)),
        _ => Drawn::svg(chart.svg),
    })
}

/// Where each night lies on the year's chart, and the best of each month, for a page that leads to them.
fn where_nights_are(years: &[Year]) -> serde_json::Value {
    let (sheet, cells) = year_cells(years);
    let best: Vec<_> = years
        .iter()
        .map(|year| {
            let best = year.best_of_months();
            let best = best.map(|(night, minutes)| json!([night.evening, hours(minutes)]));
            json!({ "subject": year.subject, "nights": best.collect::<Vec<_>>() })
        })
        .collect();
    json!({ "sheet": sheet, "cells": cells, "best": best })
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
