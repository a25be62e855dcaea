//! Finished pictures of this outing: what they were made by, to be compared and brought back.

use std::sync::Arc;

use axum::Json;
use axum::extract::State;
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};
use nightloom_develop::recipe_settings;
use nightloom_pipeline::{Version, version_recipe, versions};
use serde_json::{Value, json};

use super::app::App;
use super::develop::told;
use super::pixels::PREVIEWS;
use super::reply::{Failed, aside};
use super::words;

/// All of them, the newest first.
pub(super) async fn list(State(app): State<Arc<App>>) -> Result<Response, Failed> {
    let all = aside(move || {
        let all = versions(&app.folder);
        Value::Array(all.iter().rev().map(|v| one(&app, v)).collect())
    });
    Ok(Json(all.await?).into_response())
}

fn one(app: &App, version: &Version) -> Value {
    let recipe = version_recipe(&app.folder, version.number).and_then(|text| recipe_settings(&text).ok());
    let changed: Vec<String> = version
        .changed
        .iter()
        .map(|[key, was, is]| format!("{} {was} → {is}", words::live_name(key)))
        .collect();
    json!({
        "number": version.number,
        "name": words::version(version.number),
        "preview": format!("{PREVIEWS}{}", version.number),
        "words": words::version_about(version.size_px, version.sky_frames, version.seconds),
        "changed": changed.join(", "),
        "at": version.at.to_string(),
        "values": recipe.as_ref().map(told),
    })
}

/// The list, filled by the page's script because it grows while the page is open.
pub(super) fn panel() -> Markup {
    html! {
        details class="versions" data-compare=(words::COMPARE) data-restore=(words::BRING_BACK) {
            summary { (words::GROUP_VERSIONS) }
            p class="soft" { (words::VERSIONS_LEAD) }
            ol {}
        }
    }
}
