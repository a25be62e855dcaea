//! The outing as pages in a browser, from this program alone.

mod accept;
mod app;
mod assets;
mod axis;
mod charts;
mod develop;
mod dropped;
mod events;
mod export;
mod exposure;
mod follow;
mod frames;
mod guard;
mod hints;
mod job;
mod kept;
mod line;
mod live;
mod night;
mod overview;
mod page;
mod picture;
mod pixels;
mod pole;
mod reply;
mod report;
mod settings;
mod share;
mod shown;
mod system;
mod versions;
mod words;

use std::net::{IpAddr, Ipv4Addr, SocketAddr, TcpListener};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use axum::extract::DefaultBodyLimit;
use axum::middleware::{from_fn, from_fn_with_state};
use axum::routing::{get, post};
use axum::{Extension, Router};
use nightloom_outing::{FolderError, World};

use crate::program::Program;
pub use share::AddressError;

use app::App;
use guard::Hosts;
use share::{Here, Share};

/// The port tried first; any free one if it is taken.
const PORT: u16 = 8417;
/// How often a stop is looked for.
const LOOK: Duration = Duration::from_millis(100);
/// A body that is no frame may have so many bytes.
const BODY_BYTES: usize = 64 * 1024;
/// Where frames from elsewhere come in, piece by piece.
const FRAMES_COME: &str = "/dropped";

/// What is served, and to whom.
#[derive(Clone, Debug)]
pub struct ServeOptions {
    /// The outing's folder.
    pub folder: PathBuf,
    /// Port on this machine; a usual or a free one when not given.
    pub port: Option<u16>,
    /// Whether a phone on the local network is let in too, and at which of this machine's addresses if one is named.
    pub share: Option<Option<IpAddr>>,
    /// Whether a browser is opened.
    pub browser: bool,
    /// Whether the code to scan may be told in colours.
    pub colours: bool,
}

/// The pages cannot be served.
#[derive(Debug, thiserror::Error)]
pub enum ServeError {
    /// No folder.
    #[error(transparent)]
    Folder(#[from] FolderError),
    /// No address to share at.
    #[error(transparent)]
    Share(#[from] AddressError),
    /// The address cannot be had.
    #[error(
        "{address} cannot be listened at ({reason}); name an address of this machine with --share=ADDRESS"
    )]
    Address {
        /// Which.
        address: IpAddr,
        /// What the system said.
        reason: String,
    },
    /// The port cannot be had.
    #[error(
        "port {port} on this machine cannot be had ({reason}); name another with --port, or none to take a free one"
    )]
    Port {
        /// Which.
        port: u16,
        /// What the system said.
        reason: String,
    },
    /// The server itself failed.
    #[error("the local server stopped ({reason}); start it again, nothing is lost")]
    Server {
        /// What the system said.
        reason: String,
    },
}

/// Serves an outing's folder until the program is to stop; `tell` hears where it is. Returns the address.
///
/// # Errors
/// A folder that cannot be read, an address or port that cannot be had, a server that fails.
pub fn serve(
    options: &ServeOptions,
    program: Arc<dyn Program>,
    tell: &dyn Fn(&str),
) -> Result<String, ServeError> {
    let folder = folder(&options.folder)?;
    let listener = listen(options.port)?;
    let address = listener.local_addr().map_err(server)?;
    let url = format!("http://{address}/");
    let mut ways = vec![(listener, Via::Loopback)];
    let shared = options.share.map(|asked| share_at(asked, address.port()));
    let share = shared.transpose()?.map(|(listener, share)| {
        ways.push((listener, Via::Shared));
        share
    });
    let here = Here::at(address).map_err(random)?;
    tell(&format!("The outing is at {} (Ctrl-C ends it)", here.shown()));
    if let Some(share) = &share {
        tell(&share.told(options.colours));
    }
    let app = Arc::new(App::new(folder, program, share));
    if options.browser {
        open_browser(&here.once().map_err(random)?);
    }
    dropped::sweep();
    answer(&app, ways, &Arc::new(here))?;
    Ok(url)
}

fn folder(named: &Path) -> Result<PathBuf, FolderError> {
    let folder = std::fs::canonicalize(named).map_err(|e| match e.kind() {
        std::io::ErrorKind::NotFound => FolderError::Missing { path: named.into() },
        _ => FolderError::Unreadable {
            path: named.into(),
            reason: e.to_string(),
        },
    })?;
    if folder.is_dir() {
        Ok(folder)
    } else {
        Err(FolderError::NotAFolder { path: folder })
    }
}

fn random(failed: reply::Failed) -> ServeError {
    ServeError::Server { reason: failed.1 }
}

fn server(error: std::io::Error) -> ServeError {
    ServeError::Server {
        reason: error.to_string(),
    }
}

fn listen(port: Option<u16>) -> Result<TcpListener, ServeError> {
    let at = |port| TcpListener::bind(SocketAddr::from((Ipv4Addr::LOCALHOST, port)));
    let taken = |port| {
        move |e: std::io::Error| ServeError::Port {
            port,
            reason: e.to_string(),
        }
    };
    match port {
        Some(port) => at(port).map_err(taken(port)),
        None => at(PORT).or_else(|_| at(0)).map_err(taken(0)),
    }
}

/// Listens on the local network too.
fn share_at(asked: Option<IpAddr>, port: u16) -> Result<(TcpListener, Arc<Share>), ServeError> {
    let address = share::address(asked)?;
    let listener = TcpListener::bind((address, port))
        .or_else(|_| TcpListener::bind((address, 0)))
        .map_err(|e| ServeError::Address {
            address,
            reason: e.to_string(),
        })?;
    let share = Share::at(listener.local_addr().map_err(server)?);
    share.renew().map_err(random)?;
    Ok((listener, Arc::new(share)))
}

/// By which address somebody asks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Via {
    /// On this machine.
    Loopback,
    /// Over the local network.
    Shared,
}

fn answer(app: &Arc<App>, ways: Vec<(TcpListener, Via)>, here: &Arc<Here>) -> Result<(), ServeError> {
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
        .map_err(server)?;
    let answer = runtime.block_on(async {
        // Before the first page, or it would be in the wrong light.
        follow::look_out(app);
        tokio::spawn(years_ahead(Arc::clone(app)));
        tokio::spawn(live::watch(Arc::clone(app)));
        let mut served = tokio::task::JoinSet::new();
        for (listener, via) in ways {
            let address = listener.local_addr()?;
            listener.set_nonblocking(true)?;
            let listener = tokio::net::TcpListener::from_std(listener)?;
            let routes = routes(Arc::clone(app), via, address, here);
            served.spawn(accept::serve(listener, routes));
        }
        tokio::select! {
            ended = served.join_next() => ended.map_or(Ok(()), |e| e.map_err(std::io::Error::other)?),
            () = stopped(app.world()) => Ok(()),
        }
    });
    // Whoever still reads a stream of events does not keep the program alive.
    runtime.shutdown_background();
    app.dropped.end();
    answer.map_err(server)
}

/// Works the year out at first and whenever the settings change.
async fn years_ahead(app: Arc<App>) {
    let mut news = app.listen();
    loop {
        let worked = Arc::clone(&app);
        let _ = reply::aside(move || charts::year_ahead(&worked, &line::Query::new())).await;
        loop {
            match news.recv().await {
                Ok(app::Event::Settings { .. }) => break,
                Err(tokio::sync::broadcast::error::RecvError::Closed) => return,
                Ok(_) | Err(_) => {}
            }
        }
    }
}

async fn stopped(world: &dyn World) {
    while !world.is_cancelled() {
        tokio::time::sleep(LOOK).await;
    }
}

fn routes(app: Arc<App>, via: Via, address: SocketAddr, here: &Arc<Here>) -> Router {
    let pages = pages()
        .layer(from_fn(accept::whole_body))
        .layer(DefaultBodyLimit::max(BODY_BYTES))
        .layer(Extension(via));
    let (pages, hosts) = match (via, &app.share) {
        (Via::Shared, Some(share)) => {
            let doorkeeper = from_fn_with_state(Arc::clone(share), share::doorkeeper);
            (pages.layer(doorkeeper), Hosts::of_shared(address))
        }
        _ => {
            let own = pages
                .route("/share/code.svg", get(share::picture))
                .route("/share/new", post(share::renew));
            let doorkeeper = from_fn_with_state(Arc::clone(here), share::doorkeeper_here);
            (own.layer(doorkeeper), Hosts::of_loopback(address.port()))
        }
    };
    pages
        .layer(from_fn_with_state(Arc::new(hosts), guard::guard))
        .with_state(app)
}

fn pages() -> Router<Arc<App>> {
    let hints_post = post(hints::keep).layer(DefaultBodyLimit::max(hints::STROKES_BYTES));
    Router::new()
        .route("/", get(overview::page))
        .route("/night", get(night::page))
        .route("/exposure", get(exposure::page))
        .route("/pole", get(pole::page))
        .route("/frames", get(frames::page))
        .route("/frames/look", get(frames::look))
        .route("/frames/item", get(frames::item))
        .route("/frames/course", get(frames::course))
        .route(FRAMES_COME, post(dropped::take))
        .route("/dropped/clear", post(dropped::clear))
        .route("/verdict", get(frames::verdict))
        .route("/thumbnail", get(pixels::thumbnail))
        .route("/pixels", get(pixels::about))
        .route("/pixels/tile", get(pixels::tile))
        .route("/pixels/value", get(pixels::value))
        .route("/picture", get(picture::page))
        .route("/hints", get(hints::kept).merge(hints_post))
        .route("/hints/ready", get(hints::ready))
        .route("/hints/matte", get(hints::matte))
        .route("/develop", get(develop::about))
        .route("/develop/view", post(develop::view))
        .route("/develop/keep", post(develop::keep))
        .route("/export", post(export::write))
        .route("/export/file", get(export::file))
        .route("/versions", get(versions::list))
        .route("/frames/say", post(frames::say_of))
        .route("/report", get(picture::report))
        .route("/build", post(job::start))
        .route("/build/stop", post(job::cancel))
        .route("/settings", get(settings::page).post(settings::change))
        .route("/settings/place", post(settings::place))
        .route("/look", post(shown::look))
        .route("/assets/{name}", get(assets::asset))
        .route("/chart/{name}", get(charts::chart))
        .route("/events", get(events::events))
        .fallback(reply::nothing_there)
}

/// Asks the desktop to show an address; where there is none, the printed line must do.
fn open_browser(url: &str) {
    let (program, first) = system::OPEN;
    let quiet = std::process::Stdio::null;
    let started = std::process::Command::new(program)
        .args(first)
        .arg(url)
        .stdin(quiet())
        .stdout(quiet())
        .stderr(quiet())
        .spawn();
    if let Ok(mut child) = started {
        // Nobody waits for a browser, but its end must be taken note of.
        std::thread::spawn(move || child.wait());
    }
}
