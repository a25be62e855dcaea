//! The night's page: strip, view with the aim on it, year.

use std::sync::Arc;

use axum::extract::{Query as UrlQuery, State};
use axum::http::HeaderMap;
use axum::response::Response;
use jiff::civil::Date;
use maud::{Markup, html};
use nightloom_outing::Settings;

use super::app::App;
use super::charts::{scrolled, year_ahead};
use super::line::Query;
use super::page::{Shown, Stage, shown};
use super::words;

/// What of the page's address goes into its charts.
const KEPT: [&str; 9] = [
    "date", "subject", "focal", "sensor", "aim", "portrait", "frames", "overlap", "view-at",
];

pub(super) async fn page(
    State(app): State<Arc<App>>,
    headers: HeaderMap,
    UrlQuery(query): UrlQuery<Query>,
) -> Response {
    let title = words::NIGHT.to_owned();
    let (ahead, asked) = (Arc::clone(&app), query.clone());
    let page = shown(app, &headers, Stage::Night, title, move |app, shown| {
        Ok(body(&app.settings()?, &query, shown))
    });
    let page = page.await;
    // Nobody waits for it: the year stands below what is seen first.
    drop(tokio::task::spawn_blocking(move || year_ahead(&ahead, &asked)));
    page
}

/// The part of an address from `?` on for charts, with how they are shown; nothing but `kept` goes in.
pub(super) fn address(query: &Query, kept: &[&str], shown: Shown) -> String {
    let mut out = format!("?{}", shown.asked());
    for (name, value) in query
        .iter()
        .filter(|(n, v)| kept.contains(&n.as_str()) && !v.is_empty())
    {
        out.push('&');
        out.push_str(name);
        out.push('=');
        out.push_str(&escaped(value));
    }
    out
}

/// A value for an address, everything escaped that is not plain.
pub(super) fn escaped(value: &str) -> String {
    let plain = |b: u8| b.is_ascii_alphanumeric() || b"-.,_".contains(&b);
    let each = value.bytes().map(|byte| {
        if plain(byte) {
            char::from(byte).to_string()
        } else {
            format!("%{byte:02X}")
        }
    });
    each.collect()
}

fn body(settings: &Settings, query: &Query, shown: Shown) -> Markup {
    let asked = |name: &str| query.get(name).cloned().filter(|value| !value.is_empty());
    let date = asked("date").or(settings.outing.evening.map(|d| d.to_string()));
    let (Some(date), Some(_)) = (date, settings.site.place) else {
        return html! {
            h1 { (words::THE_NIGHT) }
            p { (words::NO_PLACE_YET) " " a href="/settings#site" { (words::SAY_WHERE) } ", " a href="/settings#outing" { (words::SAY_WHEN) } "." }
        };
    };
    let subject = asked("subject")
        .or(settings.outing.subject.clone())
        .unwrap_or_default();
    let focal = asked("focal").or(settings.rig.focal_mm.map(|mm| mm.to_string()));
    let focal = focal.unwrap_or_else(|| "24".into());
    let sensor = asked("sensor").unwrap_or_else(|| "36x24".into());
    let mut all = query.clone();
    all.insert("focal".into(), focal.clone());
    let behind = address(&all, &KEPT, shown);
    let year = date.parse::<Date>().map(|d| d.year()).ok();
    html! {
        h1 { (words::THE_NIGHT) }
        form class="asked" method="get" action="/night" {
            (field("date", words::DATE, &date))
            (field("subject", words::SUBJECT, &subject))
            (field("focal", words::FOCAL, &focal))
            (field("sensor", words::SENSOR, &sensor))
            label class="tick" { input type="checkbox" name="portrait" value="1" checked[asked("portrait").is_some_and(|p| p == "1")]; (words::UPRIGHT) }
            (field("frames", words::FRAMES_ACROSS_UP, &asked("frames").unwrap_or_default()))
            (field("overlap", words::OVERLAP, &asked("overlap").unwrap_or_default()))
            input type="hidden" name="aim" value=(asked("aim").unwrap_or_default());
            input type="hidden" name="view-at" value=(asked("view-at").unwrap_or_default());
            button type="submit" { (words::SHOW) }
        }
        (scrolled(&format!("/chart/strip.svg{behind}"), words::THE_NIGHT))
        h2 { (words::THE_VIEW) }
        p id="drag" { (words::DRAG) }
        nl-aim src=(format!("/chart/view.svg{behind}")) data-focal=(focal) {
            figure { img class="chart" src=(format!("/chart/view.svg{behind}")) alt=(words::THE_VIEW) tabindex="0" aria-describedby="drag" draggable="false"; }
            div class="moment" hidden {
                label for="view-moment" { (words::VIEW_MOMENT) }
                input id="view-moment" type="range" min="0" max="288" step="1" autocomplete="off";
                output for="view-moment" {}
                button type="button" { (words::VIEW_BEST) }
            }
            p class="wrong" role="status" {}
        }
        @if let Some(year) = year {
            h2 { (words::THE_YEAR) " " (year) }
            p { (words::YEAR_LEADS) }
            nl-year {
                (scrolled(&format!("/chart/year.svg{behind}&year={year}"), words::THE_YEAR))
                div class="best" aria-live="polite" data-best=(words::BEST_OF_MONTHS) data-none=(words::NO_BEST) {}
            }
        }
    }
}

pub(super) fn field(name: &str, label: &str, value: &str) -> Markup {
    html! {
        div class="field" {
            label for=(name) { (label) }
            input id=(name) name=(name) value=(value) autocomplete="off" spellcheck="false";
        }
    }
}
