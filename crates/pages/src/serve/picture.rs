//! The picture: made here, looked at here.

use std::sync::Arc;

use axum::extract::State;
use axum::http::header::{CONTENT_SECURITY_POLICY, CONTENT_TYPE};
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};
use nightloom_outing::RESULTS;
use nightloom_pipeline::LiveEdge;

use super::app::App;
use super::frames::looking;
use super::page::{Stage, shown};
use super::pixels::LAYERS;
use super::reply::Failed;
use super::words;

pub(super) async fn page(State(app): State<Arc<App>>, headers: HeaderMap) -> Response {
    let title = words::PICTURE.to_owned();
    shown(app, &headers, Stage::Picture, title, |app, _| Ok(body(app))).await
}

fn body(app: &App) -> Markup {
    if app.folder.join(RESULTS).join(LAYERS[0]).is_file() {
        return desk(app);
    }
    html! {
        h1 { (words::PICTURE) }
        (build(app, words::BUILD))
    }
}

/// The build and how far it is.
fn build(app: &App, start: &str) -> Markup {
    let running = app.job.is_running();
    let report = app.folder.join(RESULTS).join("report.html").is_file();
    html! {
        nl-build data-running[running] {
            p { (words::BUILD_LEAD) }
            button type="button" class="first" data-do="start" disabled[running] { (start) }
            " "
            button type="button" data-do="stop" disabled[!running] { (words::CANCEL) }
            " "
            @if report { a class="button" href="/report" { (words::REPORT) } }
            div class="progress" hidden[!running] {
                progress max="1" aria-label=(words::WORKING) {}
                p role="status" { (words::WORKING) }
            }
            ul class="notes" {}
        }
    }
}

/// The picture, as large as the window, and what is done with it beside or below.
fn desk(app: &App) -> Markup {
    let name = |layer: &str| format!("{RESULTS}/{layer}");
    let both = ["sky.tif", "land.tif"]
        .iter()
        .all(|l| app.folder.join(RESULTS).join(l).is_file());
    let frame = LiveEdge::land_frame(&app.folder).ok();
    let live = super::develop::is_there(app);
    let before_at = frame
        .as_ref()
        .map(|f| format!("{},{}", f.origin_px[0], f.origin_px[1]));
    html! {
        nl-viewer class="desk" data-name=(name(LAYERS[0])) data-sky=(name("sky.tif")) data-land=(name("land.tif"))
            data-edge[frame.is_some()] data-live[live] {
            (looking(words::PICTURE))
            section class="panels" aria-label=(words::PANELS) {
                h1 { (words::PICTURE) }
                (build(app, words::BUILD_AGAIN))
                @if live { (super::develop::panel()) }
                fieldset class="over" {
                    legend { (words::LAYERS) }
                    @if both {
                        (tick("sky", words::SKY_LAYER, true))
                        (tick("land", words::LAND_LAYER, true))
                    }
                    @if frame.is_some() {
                        (tick("matte", words::MATTE_OVER, false))
                        (tick("line", words::EDGE_LINE, false))
                    }
                    (tick("before", words::BEFORE, false))
                    div class="split" hidden {
                        label { (words::BEFORE_IS) " "
                            select data-over="against" autocomplete="off" {
                                @if let Some(frame) = &frame { option value=(frame.name) data-at=[&before_at] { (words::ONE_LAND_FRAME) } }
                                option value=(name(LAYERS[0])) { (words::AS_WRITTEN) }
                            }
                        }
                        label { (words::BEFORE_UP_TO) " " input type="range" min="0" max="100" value="50" data-over="split"; }
                    }
                }
                @if live { (super::develop::before_the_edge()) }
                @if frame.is_some() {
                    details open {
                        summary { (words::BRUSH) }
                        (brush())
                    }
                } @else { p class="soft" { (words::NO_EDGE) } }
                @if live {
                    (super::develop::after_the_edge())
                    (super::versions::panel())
                    (super::export::panel())
                }
                details {
                    summary { (words::KEYS) }
                    p class="soft" id="keys" { (words::VIEWER_KEYS) }
                    @if live { p class="soft" { (words::DEVELOP_KEYS) } }
                    @if frame.is_some() { p class="soft" { (words::BRUSH_KEYS) } }
                }
            }
        }
    }
}

fn tick(what: &str, name: &str, on: bool) -> Markup {
    html! { label class="tick" { input type="checkbox" data-over=(what) checked[on] autocomplete="off"; (name) } }
}

fn brush() -> Markup {
    let choice = |mode: &str, name: &str| {
        html! { label class="tick" { input type="radio" name="brush" value=(mode) checked[mode == "move"] autocomplete="off"; (name) } }
    };
    html! {
        fieldset class="brush" data-land=(words::BRUSHED_LAND) data-sky=(words::BRUSHED_SKY) data-kept=(words::HINTS_KEPT)
            data-none=(words::NO_HINTS) data-wait=(words::EDGE_WAIT) data-after=(words::EDGE_ANSWERED) {
            legend { (words::BRUSH_WHAT) }
            p class="soft lead" { (words::BRUSH_LEAD) }
            (choice("move", words::BRUSH_MOVE))
            (choice("land", words::BRUSH_LAND))
            (choice("sky", words::BRUSH_SKY))
            label { (words::BRUSH_WIDTH) " " input type="range" min="0" max="100" value="50" data-width; }
            button type="button" data-hint="undo" { (words::UNDO) }
            button type="button" data-hint="redo" { (words::REDO) }
            button type="button" data-hint="clear" { (words::CLEAR) }
            p role="status" {}
        }
    }
}

/// A report with the small pictures of a thousand frames is smaller.
const REPORT_BYTES: u64 = 256 << 20;

/// The report, with the styles and pictures it brings.
pub(super) async fn report(State(app): State<Arc<App>>, asked: HeaderMap) -> Result<Response, Failed> {
    let path = app.folder.join(RESULTS).join("report.html");
    let text = nightloom_raster::read_regular(&path, REPORT_BYTES)
        .ok()
        .and_then(|bytes| String::from_utf8(bytes).ok())
        .ok_or_else(|| Failed(StatusCode::NOT_FOUND, words::NO_PICTURE.into()))?;
    let headers = [
        (CONTENT_TYPE, "text/html; charset=utf-8"),
        (
            CONTENT_SECURITY_POLICY,
            "default-src 'none'; style-src 'unsafe-inline'; img-src data: 'self'",
        ),
    ];
    Ok((headers, super::report::worn(text, &asked)).into_response())
}
