//! The picture: made here, looked at here.

use std::sync::Arc;

use axum::extract::{Query as UrlQuery, State};
use axum::http::header::{CONTENT_SECURITY_POLICY, CONTENT_TYPE};
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};
use nightloom_outing::RESULTS;

use super::app::App;
use super::frames::viewer;
use super::line::Query;
use super::page::{Stage, shown};
use super::pixels::LAYERS;
use super::reply::Failed;
use super::words;

pub(super) async fn page(
    State(app): State<Arc<App>>,
    headers: HeaderMap,
    UrlQuery(query): UrlQuery<Query>,
) -> Response {
    let title = words::PICTURE.to_owned();
    shown(app, &headers, Stage::Picture, title, move |app, _| {
        Ok(body(app, query.get("layer").map(String::as_str)))
    })
    .await
}

fn body(app: &App, layer: Option<&str>) -> Markup {
    let there = |name: &&&str| app.folder.join(RESULTS).join(name).is_file();
    let layers: Vec<&&str> = LAYERS.iter().filter(there).collect();
    let shown = layers.iter().find(|l| Some(***l) == layer).or(layers.first());
    let running = app.job.is_running();
    html! {
        h1 { (words::PICTURE) }
        nl-build data-running[running] {
            p { (words::BUILD_LEAD) }
            button type="button" class="first" data-do="start" disabled[running] {
                (if layers.is_empty() { words::BUILD } else { words::BUILD_AGAIN })
            }
            " "
            button type="button" data-do="stop" disabled[!running] { (words::CANCEL) }
            div class="progress" hidden[!running] {
                progress max="1" aria-label=(words::WORKING) {}
                p role="status" { (words::WORKING) }
            }
            ul class="notes" {}
        }
        @if let Some(shown) = shown {
            form class="asked" method="get" action="/picture" {
                div class="field" {
                    label for="layer" { (words::LAYER) }
                    select id="layer" name="layer" {
                        @for name in &layers { option value=(name) selected[name == shown] { (name.trim_end_matches(".tif")) } }
                    }
                }
                button type="submit" { (words::SHOW) }
                @if app.folder.join(RESULTS).join("report.html").is_file() { a class="button" href="/report" { (words::REPORT) } }
            }
            (viewer(&format!("{RESULTS}/{shown}")))
        }
    }
}

/// The report, with the styles and pictures it brings.
pub(super) async fn report(State(app): State<Arc<App>>, asked: HeaderMap) -> Result<Response, Failed> {
    let text = std::fs::read_to_string(app.folder.join(RESULTS).join("report.html"))
        .map_err(|_| Failed(StatusCode::NOT_FOUND, words::NO_PICTURE.into()))?;
    let headers = [
        (CONTENT_TYPE, "text/html; charset=utf-8"),
        (
            CONTENT_SECURITY_POLICY,
            "default-src 'none'; style-src 'unsafe-inline'; img-src data: 'self'",
        ),
    ];
    Ok((headers, super::report::worn(text, &asked)).into_response())
}
