//! The pole's page: where the star stands in the sight now, and what two frames say of the axis.

use std::sync::Arc;

use axum::extract::{Query as UrlQuery, State};
use axum::http::HeaderMap;
use axum::response::Response;
use maud::{Markup, html};
use nightloom_outing::Settings;
use nightloom_outing::pole::hints;

use super::app::App;
use super::axis;
use super::charts::POLE;
use super::line::{Query, question};
use super::night::{address, field};
use super::page::{Shown, Stage, shown};
use super::words;
use crate::program::Question;

pub(super) async fn page(
    State(app): State<Arc<App>>,
    headers: HeaderMap,
    UrlQuery(query): UrlQuery<Query>,
) -> Response {
    let title = words::POLE.to_owned();
    shown(app, &headers, Stage::Pole, title, move |app, shown| {
        Ok(body(app, &app.settings()?, query, shown))
    })
    .await
}

/// What is asked of the pole, from the outing's place.
pub(super) fn asked(app: &App, query: &Query) -> Question {
    let folder = app.folder.display().to_string();
    question(query, &POLE, &["inverted", "mirrored"], &[&folder])
}

/// The query with the rig from outing.toml, where it has one.
pub(super) fn completed(settings: &Settings, mut query: Query) -> Query {
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

fn body(app: &App, settings: &Settings, query: Query, shown: Shown) -> Markup {
    if settings.site.place.is_none() {
        return html! {
            h1 { (words::POLE) }
            p { (words::POLE_NEEDS_PLACE) " " a href="/settings#site" { (words::SAY_WHERE) } "." }
        };
    }
    let measured = axis::measured(app, &query);
    let query = completed(settings, query);
    let told = app.program.pole(&asked(app, &query));
    let of = |name: &str, label: &str| field(name, label, query.get(name).map_or("", |v| v));
    html! {
        h1 { (words::POLE) }
        @match &told {
            Err(refused) => p class="wrong" { (refused.0) },
            Ok((plan, star)) => {
                p { strong { (plan.beam_free) } }
                ul class="cautions" { @for caution in plan.cautions { li { (caution) } } }
                form class="asked" method="get" action="/pole" {
                    (of("focal", words::FOCAL)) (of("pitch", words::PITCH)) (of("exposure", words::EXPOSURE_S)) (of("sight", words::SIGHT_WIDTH))
                    label class="tick" { input type="checkbox" name="inverted" value="1" checked[query.get("inverted").is_some_and(|v| v == "1")]; (words::INVERTED) }
                    button type="submit" { (words::SHOW) }
                }
                figure tabindex="0" aria-label=(words::SIGHT) { img class="chart narrow" data-every="10" src=(format!("/chart/sight.svg{}", address(&query, &KEPT, shown))) alt=(words::SIGHT); }
                dl class="told" {
                    @for hint in hints(plan, star) { div { dt { (hint.about) } dd { (hint.text) } } }
                }
            }
        }
        section id="axis" {
            h2 { (words::AXIS) }
            p { (words::AXIS_LEAD) }
            (axis::choose(app, &query))
            (axis::drop_place(app))
            @if let Some(measured) = &measured { (measured) }
        }
    }
}

/// What the sight's picture takes from the page's address.
const KEPT: [&str; 6] = ["focal", "pitch", "exposure", "sight", "inverted", "mirrored"];
