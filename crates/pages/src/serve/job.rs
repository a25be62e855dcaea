//! One build at a time, seen by every page.

use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant as Clock};

use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use nightloom_outing::{Step, World};
use nightloom_raster::{DecodeError, DecodeOptions, Frame, FrameMeta};
use nightloom_sky::Instant;
use serde_json::json;

use super::app::{App, Event};
use super::reply::Failed;
use super::words;

/// News of progress go out at most this often.
const EVERY: Duration = Duration::from_millis(150);

/// The build that runs, if one does.
#[derive(Default)]
pub(super) struct Job {
    running: Mutex<Option<Arc<AtomicBool>>>,
}

impl Job {
    pub(super) fn is_running(&self) -> bool {
        self.held().is_some()
    }

    fn held(&self) -> std::sync::MutexGuard<'_, Option<Arc<AtomicBool>>> {
        self.running.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Starts a build; its news come as events.
pub(super) async fn start(State(app): State<Arc<App>>) -> Result<Response, Failed> {
    let stop = Arc::new(AtomicBool::new(false));
    {
        let mut running = app.job.held();
        if running.is_some() {
            return Err(Failed(StatusCode::CONFLICT, words::BUSY.into()));
        }
        *running = Some(Arc::clone(&stop));
    }
    std::thread::spawn(move || {
        let world = JobWorld {
            app: &app,
            stop: &stop,
            told: Mutex::new(None),
        };
        // A fault of the build ends the build, not the program.
        let ended = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| {
            app.program.build(&app.folder, &world)
        }));
        let (ok, words) = match ended {
            Ok(Ok(_)) => (true, words::MADE.to_owned()),
            Ok(Err(_)) if stop.load(Ordering::Relaxed) => (false, words::STOPPED.to_owned()),
            Ok(Err(refused)) => (false, refused.0),
            Err(_) => (false, words::BROKEN.to_owned()),
        };
        *app.job.held() = None;
        app.tell(Event::Built { ok, words });
    });
    Ok(axum::Json(json!({ "started": true })).into_response())
}

/// Stops the build as soon as it can do so safely.
pub(super) async fn cancel(State(app): State<Arc<App>>) -> Response {
    if let Some(stop) = app.job.held().as_ref() {
        stop.store(true, Ordering::Relaxed);
    }
    axum::Json(json!({})).into_response()
}

/// The outside as a build sees it whose progress goes to pages.
struct JobWorld<'a> {
    app: &'a App,
    stop: &'a AtomicBool,
    told: Mutex<Option<Clock>>,
}

impl World for JobWorld<'_> {
    fn now(&self) -> Instant {
        self.app.world().now()
    }
    fn seconds(&self) -> f64 {
        self.app.world().seconds()
    }
    fn progress(&self, step: &Step<'_>) {
        let mut told = self.told.lock().unwrap_or_else(PoisonError::into_inner);
        if told.is_some_and(|at| at.elapsed() < EVERY) {
            return;
        }
        *told = Some(Clock::now());
        self.app.tell(Event::Progress {
            stage: step.stage.to_owned(),
            part: step.overall.unwrap_or(step.done),
            note: step.note.to_owned(),
        });
    }
    fn note(&self, line: &str) {
        self.app.tell(Event::Note {
            words: line.to_owned(),
        });
    }
    fn cancelled(&self) -> &AtomicBool {
        self.stop
    }
    fn decode(&self, path: &Path, options: &DecodeOptions) -> Result<Frame, DecodeError> {
        self.app.program.decode_unless(path, options, self.stop)
    }
    fn meta(&self, path: &Path) -> Result<FrameMeta, DecodeError> {
        self.app.world().meta(path)
    }
    fn peak_memory_mib(&self) -> f64 {
        self.app.world().peak_memory_mib()
    }
    fn memory_mib(&self) -> Option<u64> {
        self.app.world().memory_mib()
    }
}
