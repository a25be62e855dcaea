//! Frames dropped on a page that are not in the outing: laid by in a temporary folder, gone when the program ends.

use std::fs::File;
use std::io::Write;
use std::path::PathBuf;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use axum::body::{Body, BodyDataStream, Bytes};
use axum::extract::{Query as UrlQuery, Request, State};
use axum::http::StatusCode;
use axum::http::header::CONTENT_LENGTH;
use axum::response::{IntoResponse, Response};
use futures_core::Stream;
use serde_json::json;
use tokio::sync::mpsc;

use super::app::App;
use super::line::Query;
use super::reply::{Failed, aside};
use super::share::random_name;
use super::words;

/// The largest frame that is taken.
const FRAME_BYTES: u64 = 200 << 20;
/// So many are kept at a time.
const FRAMES: usize = 12;
/// What a page's address says of such a frame, before its number.
const MARK: &str = "dropped:";
/// What their folder in the system's temporary one is called, before a name that nobody can guess.
const FOLDER: &str = "nightloom-dropped-";
/// A piece must come within this.
const PIECE_WITHIN: Duration = Duration::from_secs(30);
/// Pieces that may wait for the disk.
const PIECES: usize = 16;

/// Frames that were dropped.
#[derive(Default)]
pub(super) struct Dropped(Mutex<Shelf>);

#[derive(Default)]
struct Shelf {
    folder: Option<PathBuf>,
    /// The folder held, so that another server knows that it is in use; free when this process is gone.
    held: Option<File>,
    /// In the order they came.
    frames: Vec<DroppedFrame>,
    count: u32,
}

/// One of them.
#[derive(Clone, Debug)]
pub(super) struct DroppedFrame {
    number: u32,
    /// As the photographer's file is called.
    pub(super) name: String,
    path: PathBuf,
    whole: bool,
}

impl DroppedFrame {
    /// As addresses name it.
    pub(super) fn id(&self) -> String {
        format!("{MARK}{}", self.number)
    }
}

impl Dropped {
    fn shelf(&self) -> MutexGuard<'_, Shelf> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Those that are there whole.
    pub(super) fn all(&self) -> Vec<DroppedFrame> {
        self.shelf().frames.iter().filter(|f| f.whole).cloned().collect()
    }

    /// Where the frame is that an address names; `None` if it names none of these.
    pub(super) fn path_of(&self, id: &str) -> Option<PathBuf> {
        self.all().into_iter().find(|f| f.id() == id).map(|f| f.path)
    }

    /// A place for another one.
    fn place(&self, name: &str) -> Result<(DroppedFrame, File), Failed> {
        let mut shelf = self.shelf();
        if shelf.frames.len() >= FRAMES {
            return Err(Failed(StatusCode::CONFLICT, words::too_many_dropped(FRAMES)));
        }
        let folder = match &shelf.folder {
            Some(folder) => folder.clone(),
            None => {
                let folder = std::env::temp_dir().join(format!("{FOLDER}{}", random_name()?));
                super::system::private_folder(&folder).map_err(disk)?;
                shelf.held = File::open(&folder).ok().filter(|f| f.try_lock().is_ok());
                shelf.folder = Some(folder.clone());
                folder
            }
        };
        shelf.count += 1;
        let frame = DroppedFrame {
            number: shelf.count,
            name: name.to_owned(),
            path: folder.join(format!("{:02}-{}", shelf.count, safe(name))),
            whole: false,
        };
        let file = File::create_new(&frame.path).map_err(disk)?;
        shelf.frames.push(frame.clone());
        Ok((frame, file))
    }

    fn came(&self, number: u32) {
        let mut shelf = self.shelf();
        if let Some(frame) = shelf.frames.iter_mut().find(|f| f.number == number) {
            frame.whole = true;
        }
    }

    fn forget(&self, number: u32) {
        let mut shelf = self.shelf();
        if let Some(at) = shelf.frames.iter().position(|f| f.number == number) {
            let _ = std::fs::remove_file(&shelf.frames.remove(at).path);
        }
    }

    /// Removes the folder with all that is in it.
    pub(super) fn end(&self) {
        let mut shelf = self.shelf();
        shelf.frames.clear();
        if let Some(folder) = shelf.folder.take() {
            let _ = std::fs::remove_dir_all(folder);
        }
        shelf.held = None;
    }

    /// Removes all that are there whole.
    pub(super) fn forget_all(&self) {
        for frame in self.all() {
            self.forget(frame.number);
        }
    }
}

impl Drop for Dropped {
    fn drop(&mut self) {
        self.end();
    }
}

/// Removes what servers left that were killed: folders of this name that are this person's own and that nobody holds.
pub(super) fn sweep() {
    let entries = std::fs::read_dir(std::env::temp_dir());
    for entry in entries.into_iter().flatten().flatten() {
        let ours = entry.file_name().to_str().is_some_and(|n| n.starts_with(FOLDER));
        // A link is no folder here.
        if !ours || !entry.file_type().is_ok_and(|t| t.is_dir()) {
            continue;
        }
        // What belongs to somebody else cannot be opened: the folder is private.
        let held = File::open(entry.path()).map(|folder| folder.try_lock().map(|()| folder));
        if let Ok(Ok(_held)) = held {
            let _ = std::fs::remove_dir_all(entry.path());
        }
    }
}

fn disk(error: std::io::Error) -> Failed {
    Failed(
        StatusCode::INSUFFICIENT_STORAGE,
        format!("{} ({error})", words::NOT_LAID_BY),
    )
}

/// The last part of a name, with nothing in it that a file system may take amiss.
fn safe(name: &str) -> String {
    let last = name.rsplit(['/', '\\']).next().unwrap_or_default();
    let plain = |c: char| {
        if c.is_ascii_alphanumeric() || ".-_".contains(c) {
            c
        } else {
            '_'
        }
    };
    let mut kept: Vec<char> = last.chars().map(plain).collect();
    let long = kept.len().saturating_sub(60);
    // The end tells the format.
    kept.drain(..long);
    kept.into_iter().collect()
}

/// Takes one frame, piece by piece.
pub(super) async fn take(
    State(app): State<Arc<App>>,
    UrlQuery(query): UrlQuery<Query>,
    request: Request,
) -> Result<Response, Failed> {
    let name = query.get("name").cloned().unwrap_or_default();
    let said = request
        .headers()
        .get(CONTENT_LENGTH)
        .and_then(|v| v.to_str().ok()?.parse::<u64>().ok());
    if said.is_some_and(|bytes| bytes > FRAME_BYTES) {
        return Err(too_large());
    }
    let (frame, file) = {
        let app = Arc::clone(&app);
        aside(move || app.dropped.place(&name)).await??
    };
    let coming = Coming {
        app: &app,
        number: frame.number,
    };
    written(request.into_body(), file).await?;
    std::mem::forget(coming);
    app.dropped.came(frame.number);
    Ok(axum::Json(json!({ "id": frame.id() })).into_response())
}

/// A frame that is forgotten again unless it came whole, also when the page goes away meanwhile.
struct Coming<'a> {
    app: &'a App,
    number: u32,
}

impl Drop for Coming<'_> {
    fn drop(&mut self) {
        self.app.dropped.forget(self.number);
    }
}

fn too_large() -> Failed {
    Failed(
        StatusCode::PAYLOAD_TOO_LARGE,
        words::dropped_too_large(FRAME_BYTES >> 20),
    )
}

/// The body into the file, by a thread that may wait for the disk.
async fn written(body: Body, mut file: File) -> Result<(), Failed> {
    let (pieces, mut to_write) = mpsc::channel::<Bytes>(PIECES);
    let writing = tokio::task::spawn_blocking(move || {
        while let Some(piece) = to_write.blocking_recv() {
            file.write_all(&piece)?;
        }
        file.sync_data()
    });
    let mut stream = body.into_data_stream();
    let mut bytes = 0;
    let mut read = Ok(());
    while let Some(piece) = timely(&mut stream).await {
        let Ok(piece) = piece else {
            read = Err(Failed(StatusCode::BAD_REQUEST, words::CAME_IN_PART.into()));
            break;
        };
        bytes += piece.len() as u64;
        if bytes > FRAME_BYTES {
            read = Err(too_large());
            break;
        }
        if pieces.send(piece).await.is_err() {
            break;
        }
    }
    drop(pieces);
    let wrote = writing
        .await
        .map_err(|_| Failed(StatusCode::INTERNAL_SERVER_ERROR, words::BROKEN.into()))?;
    read.and(wrote.map_err(disk))
}

/// The next piece; one that does not come in time is an error.
async fn timely(stream: &mut BodyDataStream) -> Option<Result<Bytes, axum::Error>> {
    let late = |e| Some(Err(axum::Error::new(e)));
    tokio::time::timeout(PIECE_WITHIN, next(stream))
        .await
        .unwrap_or_else(late)
}

async fn next(stream: &mut BodyDataStream) -> Option<Result<Bytes, axum::Error>> {
    std::future::poll_fn(|context| std::pin::Pin::new(&mut *stream).poll_next(context)).await
}

/// Removes what was dropped.
pub(super) async fn clear(State(app): State<Arc<App>>) -> Result<Response, Failed> {
    aside(move || app.dropped.forget_all()).await?;
    Ok((
        StatusCode::SEE_OTHER,
        [(axum::http::header::LOCATION, "/pole#axis")],
    )
        .into_response())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_stay_in_their_folder() {
        assert_eq!(safe("../../etc/passwd"), "passwd");
        assert_eq!(safe("C:\\x\\IMG 1.CR3"), "IMG_1.CR3");
        assert_eq!(safe(".."), "..");
        assert_eq!(safe("a\0b\n<b>.dng"), "a_b__b_.dng");
        assert_eq!(safe(&format!("{}.nef", "x".repeat(500))).len(), 60);
    }

    #[test]
    fn what_was_dropped_goes_with_the_program() {
        let dropped = Dropped::default();
        let (frame, _file) = dropped.place("a.dng").unwrap_or_else(|f| panic!("{}", f.1));
        let (path, folder) = (
            frame.path.clone(),
            frame.path.parent().expect("a folder").to_owned(),
        );
        assert!(
            path.is_file() && dropped.path_of(&frame.id()).is_none(),
            "not whole yet"
        );
        dropped.came(frame.number);
        assert_eq!(dropped.path_of("dropped:1"), Some(path.clone()));
        assert_eq!(dropped.path_of("dropped:2"), None);
        for n in 1..FRAMES {
            assert!(dropped.place(&format!("{n}.dng")).is_ok());
        }
        assert!(dropped.place("one too many.dng").is_err());
        drop(dropped);
        assert!(!path.exists() && !folder.exists());
    }
}
