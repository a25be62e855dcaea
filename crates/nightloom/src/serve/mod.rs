//! `nightloom serve`: the outing as pages in a browser, from this program alone.

mod app;
mod assets;
mod axis;
mod charts;
mod dropped;
mod events;
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
mod words;

use std::net::{IpAddr, Ipv4Addr, SocketAddr, TcpListener};
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use axum::extract::DefaultBodyLimit;
use axum::middleware::from_fn_with_state;
use axum::routing::{get, post};
use axum::{Extension, Router};
use clap::Args;
use nightloom_outing::{FolderError, World};
use serde_json::{Value, json};

use crate::cli::Common;
use crate::door::Door;
use crate::{Trouble, out};
use app::App;
use guard::Hosts;
use share::Share;

/// The port tried first; any free one if it is taken.
const PORT: u16 = 8417;
/// How often a stop is looked for.
const LOOK: Duration = Duration::from_millis(100);
/// A body that is no frame may have so many bytes.
const BODY_BYTES: usize = 64 * 1024;

/// `nightloom serve`.
#[derive(Args, Debug)]
pub(crate) struct ServeArgs {
    /// The outing's folder; this one when not given.
    #[arg(default_value = ".")]
    pub(crate) folder: PathBuf,
    /// Port on this machine; 8417, or a free one if that is taken, when not given.
    #[arg(long, value_name = "N")]
    pub(crate) port: Option<u16>,
    /// Show the pages to a phone on the same local network too, at this machine's address there or the one given:
    /// a code to scan opens them once. What is sent is not encrypted: who is on that network can read it.
    #[arg(long, value_name = "ADDRESS", num_args = 0..=1, require_equals = true)]
    pub(crate) share: Option<Option<IpAddr>>,
    /// Do not open a browser; the address is printed.
    #[arg(long)]
    pub(crate) no_browser: bool,
    #[command(flatten)]
    pub(crate) common: Common,
}

/// The pages cannot be served.
#[derive(Debug, thiserror::Error)]
pub(crate) enum ServeError {
    /// No folder.
    #[error(transparent)]
    Folder(#[from] FolderError),
    /// No address to share at.
    #[error(transparent)]
    Share(#[from] share::AddressError),
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

pub(crate) fn run(args: &ServeArgs, door: &Arc<Door>) -> Result<Value, Trouble> {
    let folder = std::fs::canonicalize(&args.folder).map_err(|e| {
        ServeError::Folder(match e.kind() {
            std::io::ErrorKind::NotFound => FolderError::Missing {
                path: args.folder.clone(),
            },
            _ => FolderError::Unreadable {
                path: args.folder.clone(),
                reason: e.to_string(),
            },
        })
    })?;
    if !folder.is_dir() {
        return Err(ServeError::Folder(FolderError::NotAFolder { path: folder }).into());
    }
    let listener = listen(args.port)?;
    let address = listener.local_addr().map_err(server)?;
    let url = format!("http://{address}/");
    let mut ways = vec![(listener, Via::Loopback)];
    let shared = args.share.map(|asked| share_at(asked, address.port()));
    let share = shared.transpose()?.map(|(listener, share)| {
        ways.push((listener, Via::Shared));
        share
    });
    tell(&url, share.as_deref(), args.common.json);
    let app = Arc::new(App::new(folder, Arc::clone(door), share));
    if !args.no_browser {
        open_browser(&url);
    }
    serve(&app, ways, door)?;
    Ok(json!({ "address": url }))
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
    share
        .renew()
        .map_err(|failed| ServeError::Server { reason: failed.1 })?;
    Ok((listener, Arc::new(share)))
}

/// Says where the outing is, and how a phone gets in.
fn tell(url: &str, share: Option<&Share>, json: bool) {
    out::result(&format!("The outing is at {url} (Ctrl-C ends it)"), json);
    if let Some(share) = share {
        let colours = !json && std::io::IsTerminal::is_terminal(&std::io::stdout());
        out::result(&share.told(colours), json);
    }
}

/// By which address somebody asks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Via {
    /// On this machine.
    Loopback,
    /// Over the local network.
    Shared,
}

fn serve(app: &Arc<App>, ways: Vec<(TcpListener, Via)>, door: &Door) -> Result<(), ServeError> {
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
            let routes = routes(Arc::clone(app), via, address);
            served.spawn(async move { axum::serve(listener, routes).await });
        }
        tokio::select! {
            ended = served.join_next() => ended.map_or(Ok(()), |e| e.map_err(std::io::Error::other)?),
            () = stopped(door) => Ok(()),
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

async fn stopped(door: &Door) {
    while !door.is_cancelled() {
        tokio::time::sleep(LOOK).await;
    }
}

fn routes(app: Arc<App>, via: Via, address: SocketAddr) -> Router {
    let pages = pages()
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
            (own, Hosts::of_loopback(address.port()))
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
        .route("/dropped", post(dropped::take))
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
        .route("/report", get(picture::report))
        .route("/build", post(job::start))
        .route("/build/stop", post(job::cancel))
        .route("/settings", get(settings::page).post(settings::change))
        .route("/look", post(shown::look))
        .route("/assets/{name}", get(assets::asset))
        .route("/chart/{name}", get(charts::chart))
        .route("/events", get(events::events))
        .fallback(reply::nothing_there)
}

/// Asks the desktop to show an address; where there is none, the printed line must do.
fn open_browser(url: &str) {
    let (program, first): (&str, &[&str]) = if cfg!(target_os = "macos") {
        ("open", &[])
    } else if cfg!(windows) {
        ("cmd", &["/C", "start", ""])
    } else {
        ("xdg-open", &[])
    };
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
