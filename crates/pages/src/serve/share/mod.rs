//! The phone at the tripod: the same pages on the local network, for who has scanned the code.

mod address;
mod code;
mod here;
mod tokens;

use std::net::{IpAddr, SocketAddr};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use axum::body::Body;
use axum::extract::{Query as UrlQuery, Request, State};
use axum::http::header::{CONTENT_TYPE, LOCATION, SET_COOKIE};
use axum::http::{HeaderMap, Method, StatusCode};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};
use nightloom_chart::Look;
use tokio::sync::Semaphore;

use self::tokens::{BYTES, Secret, Tokens, written};
use super::app::App;
use super::line::Query;
use super::reply::{self, Failed};
use super::shown::{cookie, look_of};
use super::words;

pub use address::AddressError;
pub(super) use here::{Here, doorkeeper as doorkeeper_here};

/// Where a token is handed in.
const ENTER: &str = "/enter";
const SESSION_COOKIE: &str = "nightloom-phone";
/// A wrong token costs this.
const WRONG_COSTS: Duration = Duration::from_millis(500);
/// So many who had a wrong one may be waiting; more are sent away at once.
const WAITING: usize = 8;

/// The shared address and who may use it.
pub(super) struct Share {
    pub(super) address: SocketAddr,
    tokens: Mutex<Tokens>,
    waiting: Semaphore,
}

/// The local address to share at.
pub(super) fn address(asked: Option<IpAddr>) -> Result<IpAddr, AddressError> {
    address::choose(asked, super::system::addresses)
}

/// From the system's random source.
fn secret() -> Result<Secret, Failed> {
    let mut bytes = [0; BYTES];
    getrandom::fill(&mut bytes).map_err(|e| {
        Failed(
            StatusCode::INTERNAL_SERVER_ERROR,
            format!("{} ({e})", words::NO_RANDOM),
        )
    })?;
    Ok(bytes)
}

/// A name that nobody can guess.
pub(super) fn random_name() -> Result<String, Failed> {
    secret().map(|s| written(&s))
}

impl Share {
    pub(super) fn at(address: SocketAddr) -> Self {
        Self {
            address,
            tokens: Mutex::default(),
            waiting: Semaphore::new(WAITING),
        }
    }

    fn tokens(&self) -> MutexGuard<'_, Tokens> {
        self.tokens.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Makes a new one-time token.
    pub(super) fn renew(&self) -> Result<(), Failed> {
        let secret = secret()?;
        self.tokens().renew(secret, Instant::now());
        Ok(())
    }

    /// The address that opens once, if it was not used yet.
    fn opening(&self) -> Option<String> {
        let tokens = self.tokens();
        let token = tokens.waiting(Instant::now())?;
        Some(format!("http://{}{ENTER}?token={}", self.address, written(token)))
    }

    /// What the terminal shows.
    pub(super) fn told(&self, colours: bool) -> String {
        let opening = self.opening().unwrap_or_default();
        let drawn = code::code(&opening).map(|c| code::for_terminal(&c, colours));
        format!(
            "{}\n{}{opening}\n{}",
            words::SCAN,
            drawn.unwrap_or_default(),
            words::SHARED_MIND
        )
    }

    fn knows(&self, headers: &HeaderMap) -> bool {
        cookie(headers, SESSION_COOKIE).is_some_and(|text| self.tokens().knows(text))
    }

    /// Takes a token. The right one never waits for who guesses: 128 bits are not guessed, however many try.
    async fn enter(&self, token: &str) -> Result<Response, Failed> {
        let session = secret();
        let right = session
            .as_ref()
            .is_ok_and(|session| self.tokens().exchange(token, *session, Instant::now()));
        if !right {
            let Ok(_waits) = self.waiting.try_acquire() else {
                return Ok(refused(StatusCode::TOO_MANY_REQUESTS, words::TOO_MANY_TOKENS));
            };
            tokio::time::sleep(WRONG_COSTS).await;
            return Ok(refused(StatusCode::FORBIDDEN, words::TOKEN_SPENT));
        }
        let kept = format!(
            "{SESSION_COOKIE}={}; Path=/; SameSite=Strict; HttpOnly",
            written(&session?)
        );
        Ok((
            StatusCode::SEE_OTHER,
            [(SET_COOKIE, kept), (LOCATION, "/".into())],
        )
            .into_response())
    }
}

/// Lets in who has scanned the code, and nobody else.
pub(super) async fn doorkeeper(
    State(share): State<Arc<Share>>,
    UrlQuery(query): UrlQuery<Query>,
    request: Request,
    next: Next,
) -> Response {
    if share.knows(request.headers()) {
        return if request.uri().path() == ENTER {
            (StatusCode::SEE_OTHER, [(LOCATION, "/")]).into_response()
        } else {
            next.run(request).await
        };
    }
    // A look ahead by HEAD must not spend the token.
    if request.uri().path() == ENTER && *request.method() == Method::GET {
        let token = query.get("token").map_or("", String::as_str);
        return share.enter(token).await.into_response();
    }
    refused(StatusCode::UNAUTHORIZED, words::SCAN_FIRST)
}

/// A page without styles or scripts, dark by itself: who is refused keeps his eyes.
fn refused(status: StatusCode, sentence: &str) -> Response {
    let page = html! {
        (maud::DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="dark";
                title { "Nightloom" }
            }
            body bgcolor="#000000" text="#c80000" { main { h1 { (words::NOT_OPEN) } p { (sentence) } } }
        }
    };
    let mut response = Response::new(Body::from(page.into_string()));
    *response.status_mut() = status;
    let kind = axum::http::HeaderValue::from_static("text/html; charset=utf-8");
    response.headers_mut().insert(CONTENT_TYPE, kind);
    response
}

/// The part of the overview that opens the outing to a phone.
pub(super) fn section(share: &Share, look: Look) -> Markup {
    let phones = share.tokens().phones();
    html! {
        section id="phone" {
            h2 { (words::PHONE) }
            @match share.opening() {
                Some(opening) => {
                    p { (words::SCAN) }
                    img class="code" width="240" height="240" src=(format!("/share/code.svg?look={}", look.name())) alt=(words::CODE);
                    p class="soft" { code { (opening) } }
                }
                None => p { (words::TOKEN_USED) },
            }
            p { (words::phones(phones)) }
            p class="mind" { (words::SHARED_MIND) }
            form method="post" action="/share/new" { button type="submit" { (words::NEW_CODE) } }
        }
    }
}

/// The code as a picture; for this machine's own page only.
pub(super) async fn picture(State(app): State<Arc<App>>, headers: HeaderMap) -> Result<Response, Failed> {
    let missing = || Failed(StatusCode::NOT_FOUND, words::NOTHING_HERE.into());
    let opening = app.share.as_ref().and_then(|s| s.opening()).ok_or_else(missing)?;
    let drawn = code::code(&opening).ok_or_else(missing)?;
    let svg = code::svg(&drawn, look_of(&headers));
    Ok(reply::svg(svg.into()))
}

/// Shows another code.
pub(super) async fn renew(State(app): State<Arc<App>>) -> Result<Response, Failed> {
    if let Some(share) = &app.share {
        share.renew()?;
    }
    Ok((StatusCode::SEE_OTHER, [(LOCATION, "/#phone")]).into_response())
}
