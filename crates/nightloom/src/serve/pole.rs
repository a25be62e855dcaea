//! The pole's page: where the star stands in the sight now, and what two frames say of the axis.

use std::path::PathBuf;
use std::sync::Arc;

use axum::extract::{Query as UrlQuery, State};
use axum::http::HeaderMap;
use axum::response::Response;
use maud::{Markup, html};
use nightloom_outing::{Settings, discover};
use serde_json::Value;

use super::app::App;
use super::charts::POLE;
use super::line::{Query, read};
use super::night::{address, field};
use super::page::{Look, Stage, shown};
use super::pixels::path_of;
use super::reply::Failed;
use super::words;
use crate::axis::AxisArgs;
use crate::pole::PoleArgs;
use crate::{Trouble, axis};

pub(super) async fn page(
    State(app): State<Arc<App>>,
    headers: HeaderMap,
    UrlQuery(query): UrlQuery<Query>,
) -> Response {
    let title = words::POLE.to_owned();
    shown(app, &headers, Stage::Pole, title, move |app, look| {
        Ok(body(app, &app.settings()?, query, look))
    })
    .await
}

/// The query with place and rig from outing.toml, where it has them.
pub(super) fn completed(settings: &Settings, mut query: Query) -> Query {
    if let Some(place) = settings.site.place {
        query.insert("lat".into(), place.latitude.deg().to_string());
        query.insert("lon".into(), place.longitude.deg().to_string());
        query.insert("elevation".into(), place.elevation_m.to_string());
    }
    let rig = [("focal", settings.rig.focal_mm), ("pitch", settings.rig.pixel_um)];
    for (name, value) in rig {
        if let (Some(value), true) = (value, query.get(name).is_none_or(String::is_empty)) {
            query.insert(name.into(), value.to_string());
        }
    }
    // What the star costs needs both.
    if query.get("focal").is_none_or(String::is_empty) || query.get("pitch").is_none_or(String::is_empty) {
        query.remove("focal");
        query.remove("pitch");
    }
    query
}

fn body(app: &App, settings: &Settings, query: Query, look: Look) -> Markup {
    if settings.site.place.is_none() {
        return html! {
            h1 { (words::POLE) }
            p { (words::POLE_NEEDS_PLACE) " " a href="/settings#site" { (words::SAY_WHERE) } "." }
        };
    }
    let measured = measured(app, &query);
    let query = completed(settings, query);
    let told = read::<PoleArgs>(&query, &POLE, &["inverted", "mirrored"], &[])
        .and_then(|args| Ok(args.told(&app.door)?));
    let of = |name: &str, label: &str| field(name, label, query.get(name).map_or("", |v| v));
    html! {
        h1 { (words::POLE) }
        @match &told {
            Err(failed) => p class="wrong" { (failed.1) },
            Ok(told) => {
                p { strong { (told.beam_free) } }
                ul class="cautions" { @for caution in &told.cautions { li { (caution) } } }
                form class="asked" method="get" action="/pole" {
                    (of("focal", words::FOCAL)) (of("pitch", words::PITCH)) (of("exposure", words::EXPOSURE_S)) (of("sight", words::SIGHT_WIDTH))
                    label class="tick" { input type="checkbox" name="inverted" value="1" checked[query.get("inverted").is_some_and(|v| v == "1")]; (words::INVERTED) }
                    button type="submit" { (words::SHOW) }
                }
                figure { img class="chart narrow" data-every="10" src=(format!("/chart/sight.svg{}", address(&query, &KEPT, look))) alt=(words::SIGHT); }
                dl class="told" {
                    @for (about, text) in &told.hints { div { dt { (about) } dd { (text) } } }
                }
            }
        }
        section id="axis" {
            h2 { (words::AXIS) }
            p { (words::AXIS_LEAD) }
            (choose(app, &query))
            (drop_place(app))
            @if let Some(measured) = &measured { (measured) }
        }
    }
}

/// What the sight's picture takes from the page's address.
const KEPT: [&str; 6] = ["focal", "pitch", "exposure", "sight", "inverted", "mirrored"];

fn choose(app: &App, query: &Query) -> Markup {
    let frames = discover(&app.folder).map(|f| f.frames).unwrap_or_default();
    let dropped = app.dropped.all();
    let chosen = |name: &str| query.get(name).map_or("", |v| v);
    html! {
        form class="asked" method="get" action="/pole" {
            @for (name, label) in [("first", words::FIRST_FRAME), ("second", words::SECOND_FRAME), ("then", words::THEN_FRAME)] {
                div class="field" {
                    label for=(name) { (label) }
                    select id=(name) name=(name) {
                        option value="" { "–" }
                        @for frame in &dropped { option value=(frame.id()) selected[frame.id() == chosen(name)] { (frame.name) " (" (words::DROPPED) ")" } }
                        @for frame in &frames { option value=(frame.name) selected[frame.name == chosen(name)] { (frame.name) } }
                    }
                }
            }
            button type="submit" { (words::MEASURE_AXIS) }
        }
    }
}

/// Where a frame of the outing, or one that was dropped, is.
fn frame_of(app: &App, name: &str) -> Result<PathBuf, Failed> {
    app.dropped.path_of(name).map_or_else(|| path_of(app, name), Ok)
}

/// Where frames that are not in the outing can be dropped, or chosen by keys.
fn drop_place(app: &App) -> Markup {
    html! {
        nl-drop data-measuring=(words::MEASURING) {
            label for="drop" { (words::DROP) }
            input id="drop" type="file" multiple;
            p class="soft" { (words::DROP_MIND) }
            p role="status" {}
        }
        @if !app.dropped.all().is_empty() {
            form method="post" action="/dropped/clear" { button type="submit" { (words::FORGET_DROPPED) } }
        }
    }
}

/// What the chosen frames say of the axis.
fn measured(app: &App, query: &Query) -> Option<Markup> {
    let chosen = |name: &str| query.get(name).filter(|v| !v.is_empty());
    let first = chosen("first")?;
    let answer = (|| {
        let mut words = vec!["--json".to_owned()];
        for name in [Some(first), chosen("second")].into_iter().flatten() {
            words.push(frame_of(app, name)?.display().to_string());
        }
        for name in chosen("more").iter().flat_map(|more| more.split(',')) {
            words.push(frame_of(app, name)?.display().to_string());
        }
        if let Some(then) = chosen("then") {
            words.push(format!("--then={}", frame_of(app, then)?.display()));
        }
        let words: Vec<&str> = words.iter().map(String::as_str).collect();
        let args: AxisArgs = read(&Query::new(), &[], &[], &words)?;
        match axis::run(&args, &app.door) {
            Ok(json) | Err(Trouble::No { json, .. }) => Ok(json),
            Err(other) => Err(Failed::from(other)),
        }
    })();
    Some(match answer {
        Err(Failed(_, sentence)) => html! { p class="wrong" { (sentence) } },
        Ok(json) => html! {
            div role="status" {
                @for line in lines(&json["advice"]) { p class="advice" { (line) } }
                @if let Some(total) = json["error"]["total_arcmin"].as_f64() {
                    p class="soft" {
                        (format!("{total:.1}′ ± {:.1}′", json["error"]["sigma_arcmin"].as_f64().unwrap_or(f64::NAN)))
                    }
                }
            }
        },
    })
}

/// A text, or several.
fn lines(value: &Value) -> Vec<&str> {
    match value {
        Value::String(text) => vec![text],
        Value::Array(all) => all.iter().filter_map(Value::as_str).collect(),
        _ => Vec::new(),
    }
}
