//! This machine's own way in: other people and programs of the machine can reach loopback too, so it asks for a key.

use std::net::SocketAddr;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Instant;

use axum::extract::{Request, State};
use axum::http::header::{LOCATION, SET_COOKIE};
use axum::http::{HeaderMap, Method, StatusCode, Uri};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};

use super::tokens::{Secret, Tokens, is, written};
use super::{refused, secret};
use crate::serve::reply::Failed;
use crate::serve::shown::cookie;
use crate::serve::words;

/// What carries a token in an address.
const TOKEN: &str = "token=";
/// Browsers that may be let in at a time.
const BROWSERS: usize = 64;

/// The loopback address and who may use it.
pub(in crate::serve) struct Here {
    address: SocketAddr,
    /// Stands in the address that the terminal shows; good as long as the program runs.
    key: Secret,
    /// That of the browser the program opens goes over the system's list of processes, which others can read: it opens
    /// once.
    tokens: Mutex<Tokens>,
}

impl Here {
    pub(in crate::serve) fn at(address: SocketAddr) -> Result<Self, Failed> {
        Ok(Self {
            address,
            key: secret()?,
            tokens: Mutex::new(Tokens::for_so_many(BROWSERS)),
        })
    }

    fn tokens(&self) -> MutexGuard<'_, Tokens> {
        self.tokens.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The address for the terminal.
    pub(in crate::serve) fn shown(&self) -> String {
        format!("http://{}/?{TOKEN}{}", self.address, written(&self.key))
    }

    /// An address that opens once, for a browser that is started with it.
    pub(in crate::serve) fn once(&self) -> Result<String, Failed> {
        let token = secret()?;
        self.tokens().renew(token, Instant::now());
        Ok(format!("http://{}/?{TOKEN}{}", self.address, written(&token)))
    }

    /// Cookies know no ports: each server has a name of its own.
    fn cookie_name(&self) -> String {
        format!("nightloom-{}", self.address.port())
    }

    fn knows(&self, headers: &HeaderMap) -> bool {
        cookie(headers, &self.cookie_name()).is_some_and(|text| self.tokens().knows(text))
    }

    /// A session for a right token.
    fn exchange(&self, token: &str) -> Option<Secret> {
        let session = secret().ok()?;
        let mut tokens = self.tokens();
        if bool::from(is(&self.key, token)) {
            tokens.admit(session);
            return Some(session);
        }
        tokens.exchange(token, session, Instant::now()).then_some(session)
    }
}

/// The token in an address, and the address without it.
fn parted(uri: &Uri) -> Option<(&str, String)> {
    let query = uri.query()?;
    let token = query.split('&').find_map(|part| part.strip_prefix(TOKEN))?;
    let rest: Vec<&str> = query.split('&').filter(|p| !p.starts_with(TOKEN)).collect();
    // A path of two slashes would lead to another machine.
    let path = format!("/{}", uri.path().trim_start_matches('/'));
    Some(match rest.is_empty() {
        true => (token, path),
        false => (token, format!("{path}?{}", rest.join("&"))),
    })
}

/// Lets in who has the key that this program showed or gave to the browser it opened.
pub(in crate::serve) async fn doorkeeper(
    State(here): State<Arc<Here>>,
    request: Request,
    next: Next,
) -> Response {
    let known = here.knows(request.headers());
    if *request.method() == Method::GET
        && let Some((token, bare)) = parted(request.uri())
    {
        if known {
            return (StatusCode::SEE_OTHER, [(LOCATION, bare)]).into_response();
        }
        if let Some(session) = here.exchange(token) {
            let kept = format!(
                "{}={}; Path=/; SameSite=Strict; HttpOnly",
                here.cookie_name(),
                written(&session)
            );
            return (StatusCode::SEE_OTHER, [(SET_COOKIE, kept), (LOCATION, bare)]).into_response();
        }
    }
    if known {
        return next.run(request).await;
    }
    refused(StatusCode::UNAUTHORIZED, words::KEY_FIRST)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_address_is_told_without_its_token() {
        let parts = |text: &str| {
            let uri: Uri = text.parse().unwrap();
            parted(&uri).map(|(token, bare)| (token.to_owned(), bare))
        };
        assert_eq!(parts("/night?token=ab"), Some(("ab".into(), "/night".into())));
        assert_eq!(
            parts("/pixels?name=a.png&token=ab&x=1"),
            Some(("ab".into(), "/pixels?name=a.png&x=1".into()))
        );
        assert_eq!(parts("/night?nottoken=ab"), None);
        assert_eq!(parts("/night"), None);
        assert_eq!(
            parts("//evil.example/?token=ab").map(|p| p.1),
            Some("/evil.example/".into())
        );
    }

    #[test]
    fn the_key_stays_and_the_browsers_token_opens_once() {
        let here = Here::at(([127, 0, 0, 1], 8417).into()).unwrap_or_else(|f| panic!("{}", f.1));
        let token = |address: &str| address.split(TOKEN).nth(1).map(str::to_owned).unwrap();
        let (key, once) = (
            token(&here.shown()),
            token(&here.once().unwrap_or_else(|f| panic!("{}", f.1))),
        );
        assert!(here.exchange(&key).is_some() && here.exchange(&key).is_some());
        assert!(here.exchange(&once).is_some() && here.exchange(&once).is_none());
        assert!(
            here.exchange("").is_none()
                && here
                    .exchange(&key.to_uppercase())
                    .is_none_or(|_| key == key.to_uppercase())
        );
    }
}
