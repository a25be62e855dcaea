//! The picture given away: written beside the results at the size and sharpness asked for, and handed to the browser.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;

use axum::Json;
use axum::extract::{Query as UrlQuery, State};
use axum::http::header::{CACHE_CONTROL, CONTENT_DISPOSITION, CONTENT_TYPE};
use axum::http::{HeaderValue, StatusCode};
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};
use nightloom_develop::{Export, ExportError, ExportKind};
use nightloom_outing::RESULTS;
use serde_json::json;

use super::app::App;
use super::develop::settings_of;
use super::line::Query;
use super::reply::{Failed, aside};
use super::words;

/// How every name begins: no result of a build does.
const BEGINS: &str = "export-";
/// What is handed to a browser is not larger.
const MOST_BYTES: u64 = 2 << 30;

impl From<ExportError> for Failed {
    fn from(error: ExportError) -> Self {
        match error {
            ExportError::Layers(error) => error.into(),
            ExportError::Asked(_) => Self::of(error),
            ExportError::Write(_) => Self(StatusCode::INTERNAL_SERVER_ERROR, error.to_string()),
        }
    }
}

/// What a page wants written.
#[derive(serde::Deserialize)]
pub(super) struct Wanted {
    identity: String,
    values: BTreeMap<String, String>,
    kind: ExportKind,
    long_px: Option<usize>,
    #[serde(default)]
    sharpen: f32,
    crop: Option<[usize; 4]>,
}

/// Writes a file into the folder of the results, under a name that is free.
pub(super) async fn write(
    State(app): State<Arc<App>>,
    Json(wanted): Json<Wanted>,
) -> Result<Response, Failed> {
    let done = aside(move || {
        // One at a time: each holds a whole picture.
        let _room = app.exporting.pass();
        let began = app.world().seconds();
        let live = app.layers.live_of(&app, &wanted.identity)?;
        let settings = settings_of(&wanted.values)?;
        let export = Export {
            kind: wanted.kind,
            long_px: wanted.long_px,
            sharpen: wanted.sharpen,
            crop: wanted.crop,
        };
        let folder = app.folder.join(RESULTS);
        let name = free_name(&folder, &export);
        let [width, height] = live.export(&settings, &export, &app.settings()?.files, &folder.join(&name))?;
        let bytes = std::fs::metadata(folder.join(&name)).map_or(0, |m| m.len());
        let seconds = app.world().seconds() - began;
        Ok::<_, Failed>(json!({
            "name": name, "width_px": width, "height_px": height, "bytes": bytes, "seconds": seconds,
            "words": words::exported(&format!("{RESULTS}/{name}"), [width, height], bytes, seconds),
        }))
    });
    Ok(Json(done.await??).into_response())
}

fn free_name(folder: &Path, export: &Export) -> String {
    let size = export.long_px.map_or("full".to_owned(), |px| px.to_string());
    let ending = export.kind.ending();
    let names = (1..).map(|n| match n {
        1 => format!("{BEGINS}{size}.{ending}"),
        n => format!("{BEGINS}{size}-{n}.{ending}"),
    });
    let free = |name: &String| std::fs::symlink_metadata(folder.join(name)).is_err();
    names.into_iter().find(free).unwrap_or_default()
}

/// A file that was written here, for the browser to keep. No other file can be had.
pub(super) async fn file(
    State(app): State<Arc<App>>,
    UrlQuery(query): UrlQuery<Query>,
) -> Result<Response, Failed> {
    let name = query.get("name").cloned().unwrap_or_default();
    let missing = || Failed(StatusCode::NOT_FOUND, words::NOTHING_HERE.into());
    let kind = kind_of(&name).ok_or_else(missing)?;
    let attached =
        HeaderValue::from_str(&format!("attachment; filename=\"{name}\"")).map_err(|_| missing())?;
    let read = aside(move || {
        let path = app.folder.join(RESULTS).join(&name);
        nightloom_raster::read_regular(&path, MOST_BYTES).map_err(|_| missing())
    });
    let headers = [
        (CONTENT_TYPE, HeaderValue::from_static(kind)),
        (CACHE_CONTROL, HeaderValue::from_static("no-store")),
        (CONTENT_DISPOSITION, attached),
    ];
    Ok((headers, read.await??).into_response())
}

/// The kind of a file by its name, if it may be one of ours.
fn kind_of(name: &str) -> Option<&'static str> {
    let (stem, ending) = name.strip_prefix(BEGINS)?.rsplit_once('.')?;
    let plain = stem
        .bytes()
        .all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-');
    match ending {
        _ if !plain => None,
        "jpg" => Some("image/jpeg"),
        "png" => Some("image/png"),
        "tif" => Some("image/tiff"),
        _ => None,
    }
}

/// The form.
pub(super) fn panel() -> Markup {
    let choice = |value: &str, name: &str, on: bool| html! { option value=(value) selected[on] { (name) } };
    html! {
        details class="export" data-wait=(words::EXPORT_WAIT) data-save=(words::EXPORT_SAVE) data-moved=(words::SKY_MOVED_FIRST) {
            summary { (words::GROUP_EXPORT) }
            p class="soft" { (words::EXPORT_LEAD) }
            label { (words::EXPORT_KIND) " "
                select name="kind" autocomplete="off" {
                    (choice("jpeg", "JPEG", true)) (choice("png", "PNG", false)) (choice("tiff", words::TIFF_16, false))
                }
            }
            label { (words::EXPORT_SIZE) " "
                input name="long" type="text" inputmode="numeric" value="2400" autocomplete="off";
            }
            label { (words::EXPORT_SHARPEN) " "
                select name="sharpen" autocomplete="off" {
                    (choice("0", words::SHARPEN_NONE, false)) (choice("0.6", words::SHARPEN_USUAL, true))
                    (choice("1.2", words::SHARPEN_MUCH, false))
                }
            }
            button type="button" data-do="export" { (words::EXPORT) }
            p role="status" {}
            ul class="written" {}
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_names_of_its_own_are_files() {
        assert_eq!(kind_of("export-2400.jpg"), Some("image/jpeg"));
        assert_eq!(kind_of("export-full-12.tif"), Some("image/tiff"));
        for name in [
            "picture.tif",
            "export-../../x.jpg",
            "export-a/b.png",
            "export-2400.html",
            "export-",
            "export-2400",
            "export-..jpg/..",
            "",
        ] {
            assert_eq!(kind_of(name), None, "{name}");
        }
    }
}
