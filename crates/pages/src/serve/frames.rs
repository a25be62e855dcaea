//! The frames: all of them on a sheet, and each one closely.

use std::cmp::Ordering;
use std::path::PathBuf;
use std::sync::Arc;

use axum::extract::{Query as UrlQuery, State};
use axum::http::HeaderMap;
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};
use nightloom_outing::{CheckOptions, FrameCheck, Role, check_frame, discover, trends};
use nightloom_pipeline::role_of_folder;
use serde_json::{Value, json};

use super::app::{App, FileKey};
use super::line::Query;
use super::page::{Stage, shown};
use super::pixels::path_of;
use super::reply::{Failed, aside, markup};
use super::words;

pub(super) async fn page(State(app): State<Arc<App>>, headers: HeaderMap) -> Response {
    let title = words::FRAMES.to_owned();
    shown(app, &headers, Stage::Frames, title, |app, _| Ok(sheet(app))).await
}

fn sheet(app: &App) -> Markup {
    let found = discover(&app.folder);
    html! {
        h1 { (words::FRAMES) }
        @match &found {
            Err(e) => p class="wrong" { (e.to_string()) },
            Ok(found) => {
                nl-frames {
                    p class="none" hidden[!found.frames.is_empty()] { (words::NO_FRAMES) "." }
                    div class="course" role="status" aria-label=(words::COURSE) {}
                    ul class="sheet" { @for frame in &found.frames { (one(&frame.name)) } }
                }
                @for (frame, why) in &found.left_out { p class="soft" { (frame.name) ": " (why) } }
                @for note in &found.notes { p class="soft" { (note) } }
            }
        }
    }
}

/// One frame on the sheet.
fn one(name: &str) -> Markup {
    html! {
        li data-name=(name) {
            a href=(format!("/frames/look{}", named(name))) {
                img loading="lazy" width="240" height="160" src=(format!("/thumbnail{}", named(name))) alt=(words::LOOK_CLOSER);
                span { (name) }
            }
            @if is_light(name) { nl-verdict data-name=(name) { em { (words::NOT_JUDGED) } } }
        }
    }
}

/// One frame for a sheet that is open while it lands.
pub(super) async fn item(
    State(app): State<Arc<App>>,
    UrlQuery(query): UrlQuery<Query>,
) -> Result<Response, Failed> {
    let item = aside(move || {
        let name = query.get("name").cloned().unwrap_or_default();
        path_of(&app, &name)?;
        Ok::<_, Failed>(one(&name))
    });
    Ok(markup(item.await??))
}

/// What the frames judged so far say of focus, dew, sky and drift.
pub(super) async fn course(State(app): State<Arc<App>>) -> Result<Response, Failed> {
    let told = aside(move || {
        let found = discover(&app.folder).map_err(Failed::of)?;
        let lights = found.frames.into_iter().filter(|f| is_light(&f.name));
        let mut checks: Vec<FrameCheck> = lights
            .filter_map(|f| Some(FrameCheck::clone(&*app.verdicts.there(&FileKey::of(f.path))?)))
            .collect();
        checks.sort_by(|a, b| a.taken.partial_cmp(&b.taken).unwrap_or(Ordering::Equal));
        let course = trends(&checks);
        let lines: Vec<Value> = course
            .all()
            .map(|t| json!({ "what": t.what, "figure": t.figure, "alarm": t.alarm }))
            .collect();
        Ok::<_, Failed>(
            json!({ "frames": checks.len(), "lines": lines, "alarm": words::ALARM, "over": words::course_over(checks.len()) }),
        )
    });
    Ok(axum::Json(told.await??).into_response())
}

/// Whether a frame is not in a folder of darks, flats or bias frames: those have no stars to judge.
fn is_light(name: &str) -> bool {
    !matches!(
        role_of_folder(name).map(|(role, _)| role),
        Some(Role::Dark | Role::Flat | Role::Bias)
    )
}

/// What is to be said of one frame.
pub(super) async fn verdict(
    State(app): State<Arc<App>>,
    UrlQuery(query): UrlQuery<Query>,
) -> Result<Response, Failed> {
    let told = aside(move || {
        let name = query.get("name").cloned().unwrap_or_default();
        let path = path_of(&app, &name)?;
        Ok::<_, Failed>(told(&*said_of(&app, path)?))
    });
    Ok(axum::Json(told.await??).into_response())
}

/// The verdict on one file. What was said of a file that has not changed is said again.
fn said_of(app: &App, path: PathBuf) -> Result<Arc<FrameCheck>, Failed> {
    let key = FileKey::of(path);
    app.verdicts.get(&key, || {
        let _room = app.judging.pass();
        let check = check_frame(&key.path, &CheckOptions::default(), app.world()).map_err(Failed::of)?;
        Ok(Arc::new(check))
    })
}

fn told(check: &FrameCheck) -> Value {
    let first = check.causes.first();
    json!({
        "cause": first.map(|c| c.cause.word().replace('-', " ")),
        "figure": first.map(|c| &c.figure),
        "next": check.next,
        "check": check,
    })
}

/// `?name=…` with everything escaped that is not plain.
pub(super) fn named(name: &str) -> String {
    format!("?name={}", super::night::escaped(name))
}

/// One frame in the viewer.
pub(super) async fn look(
    State(app): State<Arc<App>>,
    headers: HeaderMap,
    UrlQuery(query): UrlQuery<Query>,
) -> Response {
    let name = query.get("name").cloned().unwrap_or_default();
    shown(app, &headers, Stage::Frames, name.clone(), move |app, _| {
        path_of(app, &name)?;
        Ok(html! {
            nl-viewer class="desk" data-name=(name) {
                (looking(&name))
                section class="panels" aria-label=(words::PANELS) {
                    h1 { (name) }
                    p { a href="/frames" { (words::ALL_FRAMES) } }
                    p class="soft" id="keys" { (words::VIEWER_KEYS) }
                }
            }
        })
    })
    .await
}

/// The picture itself with the viewer's tools under it.
pub(super) fn looking(name: &str) -> Markup {
    html! {
        div class="screen" {
            canvas tabindex="0" role="img" aria-label=(name) aria-describedby="keys" {}
            div class="tools" {
                button type="button" data-do="in" { (words::ZOOM_IN) }
                button type="button" data-do="out" { (words::ZOOM_OUT) }
                button type="button" data-do="fit" { (words::FIT) }
                button type="button" data-do="full" { (words::FULL) }
                button type="button" data-do="alone" { (words::ALONE) }
                label class="lift" { (words::LIFT) " " input type="range" min="-3" max="5" step="0.5" value="0" data-do="lift"; }
                output class="under" {}
            }
        }
    }
}
