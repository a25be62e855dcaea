//! Pixels for looking at: thumbnails, tiles, single values.

use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError};

use axum::extract::{Query as UrlQuery, State};
use axum::http::header::{CACHE_CONTROL, CONTENT_TYPE, VARY};
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Response};
use nightloom_chart::Look;
use nightloom_develop::{Pyramid, TILE_PX};
use nightloom_outing::{RESULTS, discover, hash_file};
use nightloom_pipeline::version_preview;
use nightloom_raster::DecodeOptions;
use serde_json::json;

use super::app::{App, FileKey};
use super::reply::{Failed, aside};
use super::shown::look_of;
use super::words;

/// Pictures kept ready; one of 24 megapixels takes some 200 MB.
const KEPT: usize = 2;
/// How the name of a version's preview begins.
pub(super) const PREVIEWS: &str = "version/";
/// What of the results can be looked at.
pub(super) const LAYERS: [&str; 4] = ["picture.tif", "sky.tif", "land.tif", "matte.tif"];

/// Digits of a content hash that stand in a tile's address.
const VERSION_DIGITS: usize = 24;

/// A picture ready to be looked at.
pub(super) struct Held {
    pyramid: Pyramid,
    /// Its file's content hash, for the addresses of its tiles: other pixels have other addresses.
    version: String,
}

/// The pictures that were looked at last.
#[derive(Default)]
pub(super) struct Ready(Mutex<Vec<(FileKey, Arc<Held>)>>);

impl Ready {
    /// The picture in a file, read anew if the file changed. One is read at a time: the next one who asks for the
    /// same finds it ready.
    fn get(&self, app: &App, path: PathBuf) -> Result<Arc<Held>, Failed> {
        let mut kept = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let key = FileKey::of(path);
        if let Some(at) = kept.iter().position(|(k, _)| *k == key) {
            let found = kept.remove(at);
            let held = Arc::clone(&found.1);
            kept.push(found);
            return Ok(held);
        }
        // Room first, so that no more than are kept are ever held.
        while kept.len() >= KEPT {
            kept.remove(0);
        }
        let options = app.settings().map(|s| s.rig.decode_options()).unwrap_or_default();
        let version = hash_file(&key.path).map_err(|_| missing())?.to_string();
        let frame = decode(app, &key.path, &options)?;
        let held = Arc::new(Held {
            pyramid: Pyramid::of(frame),
            version: version.chars().take(VERSION_DIGITS).collect(),
        });
        // What was written meanwhile is another picture, and is read when it is asked for.
        if FileKey::of(key.path.clone()) == key {
            kept.push((key, Arc::clone(&held)));
        }
        Ok(held)
    }
}

fn decode(
    app: &App,
    path: &std::path::Path,
    options: &DecodeOptions,
) -> Result<nightloom_raster::Frame, Failed> {
    app.world().decode(path, options).map_err(Failed::of)
}

fn missing() -> Failed {
    Failed(StatusCode::NOT_FOUND, words::NO_SUCH_FRAME.into())
}

/// Where a frame or result of this outing is. Names are looked up, never joined: no other file can be read.
pub(super) fn path_of(app: &App, name: &str) -> Result<PathBuf, Failed> {
    if let Some(layer) = LAYERS.iter().find(|l| name == format!("{RESULTS}/{l}")) {
        return Ok(app.folder.join(RESULTS).join(layer));
    }
    if let Some(number) = name.strip_prefix(PREVIEWS) {
        let number = number.parse().map_err(|_| missing())?;
        return version_preview(&app.folder, number).ok_or_else(missing);
    }
    let found = discover(&app.folder).map_err(|_| missing())?;
    let frame = found.frames.into_iter().find(|f| f.name == name);
    frame.map(|f| f.path).ok_or_else(missing)
}

#[derive(serde::Deserialize)]
pub(super) struct Asked {
    name: String,
    #[serde(default)]
    level: usize,
    #[serde(default)]
    x: usize,
    #[serde(default)]
    y: usize,
    /// Stops brighter than usual.
    #[serde(default)]
    lift: f32,
    /// Of which content a tile is to be; of the present one if this is empty.
    #[serde(default)]
    version: String,
}

fn ready(app: &App, name: &str) -> Result<Arc<Held>, Failed> {
    app.ready.get(app, path_of(app, name)?)
}

/// Size of a picture and of its tiles.
pub(super) async fn about(
    State(app): State<Arc<App>>,
    UrlQuery(asked): UrlQuery<Asked>,
) -> Result<Response, Failed> {
    let held = aside(move || ready(&app, &asked.name)).await??;
    let [width, height] = held.pyramid.size_px();
    Ok(axum::Json(json!({
        "width_px": width, "height_px": height, "levels": held.pyramid.levels(), "tile_px": TILE_PX,
        "version": held.version,
    }))
    .into_response())
}

/// One tile.
pub(super) async fn tile(
    State(app): State<Arc<App>>,
    headers: HeaderMap,
    UrlQuery(asked): UrlQuery<Asked>,
) -> Result<Response, Failed> {
    let look = look_of(&headers);
    let stays = if asked.version.is_empty() { NOW } else { FOR_GOOD };
    let drawn = aside(move || {
        let held = ready(&app, &asked.name)?;
        if !asked.version.is_empty() && asked.version != held.version {
            return Err(Failed(StatusCode::CONFLICT, words::MADE_ANEW.into()));
        }
        let stretch = held.pyramid.usual().lifted(asked.lift.clamp(-10.0, 10.0));
        Ok(held.pyramid.tile(asked.level, [asked.x, asked.y], stretch, look))
    });
    picture(drawn.await??, look, stays)
}

/// For a picture under an address that names its content.
const FOR_GOOD: &str = "private, max-age=31536000, immutable";
/// For a picture under an address that may show another one later.
const NOW: &str = "no-store";

fn picture(
    drawn: Option<Result<Vec<u8>, nightloom_raster::write::WriteError>>,
    look: Look,
    stays: &'static str,
) -> Result<Response, Failed> {
    let kind = match look {
        Look::Day => "image/jpeg",
        Look::Red => "image/png",
    };
    let bytes = drawn.ok_or_else(|| Failed(StatusCode::NOT_FOUND, words::NOTHING_HERE.into()))?;
    let bytes = bytes.map_err(|e| Failed(StatusCode::INTERNAL_SERVER_ERROR, e.to_string()))?;
    Ok((
        // By day a picture is another one than in red light, under the same address.
        [(CONTENT_TYPE, kind), (CACHE_CONTROL, stays), (VARY, "cookie")],
        bytes,
    )
        .into_response())
}

/// The linear value of one pixel.
pub(super) async fn value(
    State(app): State<Arc<App>>,
    UrlQuery(asked): UrlQuery<Asked>,
) -> Result<Response, Failed> {
    let rgb =
        aside(move || Ok::<_, Failed>(ready(&app, &asked.name)?.pyramid.value(asked.x, asked.y))).await??;
    Ok(axum::Json(json!({ "rgb": rgb })).into_response())
}

/// The smallest size of a frame. Read for itself, so that a sheet of frames does not crowd out what is looked at.
pub(super) async fn thumbnail(
    State(app): State<Arc<App>>,
    headers: HeaderMap,
    UrlQuery(asked): UrlQuery<Asked>,
) -> Result<Response, Failed> {
    let look = look_of(&headers);
    let drawn = aside(move || {
        let path = path_of(&app, &asked.name)?;
        let key = (FileKey::of(path), look == Look::Red);
        app.thumbnails.get(&key, || smallest(&app, &key.0.path, look))
    });
    picture(Some(Ok(drawn.await??.to_vec())), look, NOW)
}

fn smallest(app: &App, path: &std::path::Path, look: Look) -> Result<Arc<Vec<u8>>, Failed> {
    let _room = app.drawing.pass();
    let options = app.settings().map(|s| s.rig.decode_options()).unwrap_or_default();
    let pyramid = Pyramid::of(decode(app, path, &options)?);
    let least = pyramid.levels() - 1;
    let drawn = pyramid.tile(least, [0, 0], pyramid.usual(), look);
    let bytes = drawn.and_then(Result::ok);
    bytes
        .map(Arc::new)
        .ok_or_else(|| Failed(StatusCode::INTERNAL_SERVER_ERROR, words::BROKEN.into()))
}
