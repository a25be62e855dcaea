//! Answers: pages, pictures, JSON, and what went wrong.

use std::sync::Arc;

use axum::extract::State;
use axum::http::header::{CONTENT_SECURITY_POLICY, CONTENT_TYPE};
use axum::http::{HeaderMap, HeaderValue, StatusCode};
use axum::response::{IntoResponse, Response};
use maud::Markup;
use nightloom_chart::ChartFormat;
use serde_json::json;

use super::app::{App, EditError};
use super::page::{Stage, shown};
use super::words;
use crate::program::Refused;

/// A picture drawn by the crates. It brings its own styles, and nothing else.
pub(super) fn svg(text: Arc<str>) -> Response {
    let headers = [
        (CONTENT_TYPE, "image/svg+xml; charset=utf-8"),
        (
            CONTENT_SECURITY_POLICY,
            "default-src 'none'; style-src 'unsafe-inline'",
        ),
    ];
    (headers, text.to_string()).into_response()
}

/// A chart as PNG or PDF.
pub(super) fn as_file(bytes: Vec<u8>, format: ChartFormat) -> Response {
    let kind = match format {
        ChartFormat::Pdf => "application/pdf",
        ChartFormat::Png => "image/png",
        ChartFormat::Svg => "image/svg+xml",
    };
    let headers = [
        (CONTENT_TYPE, kind),
        (CONTENT_SECURITY_POLICY, "default-src 'none'"),
    ];
    (headers, bytes).into_response()
}

pub(super) fn markup(page: Markup) -> Response {
    let kind = HeaderValue::from_static("text/html; charset=utf-8");
    ([(CONTENT_TYPE, kind)], page.into_string()).into_response()
}

/// A sentence for whoever asked by script.
pub(super) fn sentence(status: StatusCode, text: &str) -> Response {
    (status, axum::Json(json!({ "error": text }))).into_response()
}

/// What went wrong, in a sentence, with the status that fits.
pub(super) struct Failed(pub(super) StatusCode, pub(super) String);

impl Failed {
    /// What cannot be done as it was asked.
    pub(super) fn of(error: impl std::fmt::Display) -> Self {
        Self(StatusCode::UNPROCESSABLE_ENTITY, error.to_string())
    }
}

impl IntoResponse for Failed {
    fn into_response(self) -> Response {
        sentence(self.0, &self.1)
    }
}

impl From<Refused> for Failed {
    fn from(refused: Refused) -> Self {
        Self::of(refused.0)
    }
}

impl From<EditError> for Failed {
    fn from(error: EditError) -> Self {
        let status = match error {
            EditError::Changed { .. } => StatusCode::CONFLICT,
            EditError::Settings(_) | EditError::Place(_) | EditError::Outside { .. } => {
                StatusCode::UNPROCESSABLE_ENTITY
            }
            EditError::Disk(_) => StatusCode::INTERNAL_SERVER_ERROR,
        };
        Self(status, error.to_string())
    }
}

/// Runs what takes a while where it holds nobody up.
pub(super) async fn aside<T: Send + 'static>(work: impl FnOnce() -> T + Send + 'static) -> Result<T, Failed> {
    tokio::task::spawn_blocking(work)
        .await
        .map_err(|_| Failed(StatusCode::INTERNAL_SERVER_ERROR, words::BROKEN.into()))
}

pub(super) async fn nothing_there(State(app): State<Arc<App>>, headers: HeaderMap) -> Response {
    let title = words::NOTHING_HERE.to_owned();
    shown(app, &headers, Stage::None, title, |_, _| {
        Err(Failed(StatusCode::NOT_FOUND, words::NOT_OF_THIS_OUTING.into()))
    })
    .await
}
