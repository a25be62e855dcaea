//! Site, rig and everything else that outing.toml says, each on its line.

use std::sync::Arc;

use axum::Json;
use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};
use nightloom_outing::option_in;
use nightloom_outing::options::{OPTIONS, OptionKind, OptionSpec, SECTIONS};
use serde_json::json;

use super::app::{App, EditError};
use super::page::{Shown, Stage, shown};
use super::reply::{Failed, aside};
use super::shown::choices;
use super::words;

pub(super) async fn page(State(app): State<Arc<App>>, headers: HeaderMap) -> Response {
    let title = words::SETTINGS.to_owned();
    let choices = choices(&headers);
    let body = move |app: &App, _: Shown| body(&app.text().map_err(EditError::from)?.text, &choices);
    shown(app, &headers, Stage::Settings, title, body).await
}

fn body(text: &str, choices: &Markup) -> Result<Markup, Failed> {
    let mut sections = Vec::new();
    for (section, about) in SECTIONS.iter().filter(|(name, _)| *name != "frames") {
        let mut rows = Vec::new();
        for option in OPTIONS.iter().filter(|o| o.section == *section) {
            let now = option_in(text, section, option.key)
                .map_err(EditError::from)?
                .unwrap_or_default();
            rows.push(row(option, &now));
        }
        sections.push(html! {
            section id=(section) {
                h2 { (section.replace('_', " ")) }
                p class="soft" { (about) }
                @for row in &rows { (row) }
            }
        });
    }
    Ok(html! {
        h1 { (words::SETTINGS) }
        p { (words::SETTINGS_LEAD) }
        @for section in &sections { (section) }
        (choices)
    })
}

fn row(option: &OptionSpec, now: &str) -> Markup {
    let id = format!("{}.{}", option.section, option.key);
    let usual = option.default.map(|d| d.trim_matches('"')).unwrap_or_default();
    let words = match option.kind {
        OptionKind::Choice(words) => words,
        OptionKind::Flag => &["true", "false"],
        _ => &[],
    };
    html! {
        div class="field" {
            label for=(id) { (name_of(option)) }
            @if words.is_empty() {
                input id=(id) name=(id) value=(now) placeholder=(usual) autocomplete="off" spellcheck="false"
                    inputmode=[matches!(option.kind, OptionKind::Number { .. }).then_some("text")]
                    aria-describedby=(format!("{id}.help")) data-section=(option.section) data-key=(option.key) data-was=(now)
                    data-wants=[other_half(option)];
            } @else {
                select id=(id) name=(id) aria-describedby=(format!("{id}.help")) data-section=(option.section) data-key=(option.key) data-was=(now) {
                    option value="" selected[now.is_empty()] { (words::USUAL) ": " (usual) }
                    @for word in words { option value=(word) selected[now == *word] { (word) } }
                }
            }
            p class="help" id=(format!("{id}.help")) { (help(option)) }
            p class="said" role="status" {}
        }
    }
}

fn name_of(option: &OptionSpec) -> String {
    let unit = match option.kind {
        OptionKind::Number { unit, .. } => Some(unit),
        _ => None,
    };
    words::setting_name(option.section, option.key, unit)
}

/// The option's own words, with other options called as they are called here.
fn help(option: &OptionSpec) -> String {
    let keys = OPTIONS.iter().filter(|o| o.key.contains('_'));
    keys.fold(option.help.to_owned(), |help, o| {
        let name = words::setting_name(o.section, o.key, None);
        help.replace(o.key, &format!("“{name}”"))
    })
}

/// What is said while the other figure of the place is missing.
fn other_half(option: &OptionSpec) -> Option<&'static str> {
    match (option.section, option.key) {
        ("site", "latitude_deg") => Some(words::LONGITUDE_TOO),
        ("site", "longitude_deg") => Some(words::LATITUDE_TOO),
        _ => None,
    }
}

/// One edit as a page sends it.
#[derive(serde::Deserialize)]
pub(super) struct Edit {
    section: String,
    key: String,
    /// What the page thinks it is now.
    was: String,
    /// What it is to be; empty to switch it off.
    value: String,
}

pub(super) async fn change(State(app): State<Arc<App>>, Json(edit): Json<Edit>) -> Result<Response, Failed> {
    let done = aside(move || {
        let after = app.edit(&edit.section, &edit.key, edit.was.trim(), edit.value.trim())?;
        let value = option_in(&after.text, &edit.section, &edit.key).map_err(EditError::from)?;
        Ok::<_, Failed>(json!({ "value": value.unwrap_or_default(), "version": after.version }))
    });
    Ok(Json(done.await??).into_response())
}

/// One of the two figures of a place as a page sends it.
#[derive(serde::Deserialize)]
pub(super) struct Figure {
    was: String,
    value: String,
}

/// A place as a page sends it: both figures in one, because neither is anything without the other.
#[derive(serde::Deserialize)]
pub(super) struct Place {
    latitude: Figure,
    longitude: Figure,
}

pub(super) async fn place(State(app): State<Arc<App>>, Json(place): Json<Place>) -> Result<Response, Failed> {
    let done = aside(move || {
        let pair = [&place.latitude, &place.longitude].map(|f| (f.was.trim(), f.value.trim()));
        let after = app.edit_place(pair)?;
        let now = |key: &str| option_in(&after.text, "site", key).map(Option::unwrap_or_default);
        let [latitude, longitude] =
            [now("latitude_deg"), now("longitude_deg")].map(|v| v.map_err(EditError::from));
        Ok::<_, Failed>(json!({ "latitude": latitude?, "longitude": longitude?, "version": after.version }))
    });
    Ok(Json(done.await??).into_response())
}
