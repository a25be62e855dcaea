//! Who may ask: this machine's own pages and nobody else.

use std::net::SocketAddr;
use std::sync::Arc;

use axum::body::Body;
use axum::extract::{Request, State};
use axum::http::header::{
    CACHE_CONTROL, CONTENT_SECURITY_POLICY, HOST, ORIGIN, REFERRER_POLICY, VARY, X_CONTENT_TYPE_OPTIONS,
};
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method, StatusCode};
use axum::middleware::Next;
use axum::response::Response;

use super::words;

/// Nothing from elsewhere, nothing inline, no frame round it.
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; connect-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'";
const SAME_ORIGIN: HeaderValue = HeaderValue::from_static("same-origin");

/// The names under which one listener answers.
pub(super) struct Hosts(Vec<String>);

impl Hosts {
    /// This machine for itself.
    pub(super) fn of_loopback(port: u16) -> Self {
        let names = ["127.0.0.1", "localhost", "[::1]"];
        Self(names.iter().map(|name| format!("{name}:{port}")).collect())
    }

    /// One address that is shared.
    pub(super) fn of_shared(address: SocketAddr) -> Self {
        Self(vec![address.to_string()])
    }
}

/// Refuses what does not come from this machine's own pages, and tells the browser to be as strict.
///
/// The host must be named as this machine names itself, or a page elsewhere could reach it under a name of its own;
/// a change must come from a page of this very address.
pub(super) async fn guard(State(hosts): State<Arc<Hosts>>, request: Request, next: Next) -> Response {
    let follows = super::shown::follows(request.headers());
    let mut response = if allowed(request.method(), request.headers(), &hosts) {
        next.run(request).await
    } else {
        let mut refused = Response::new(Body::from(words::REFUSED));
        *refused.status_mut() = StatusCode::FORBIDDEN;
        refused
    };
    let headers = response.headers_mut();
    let policy = HeaderValue::from_static(POLICY);
    headers.entry(CONTENT_SECURITY_POLICY).or_insert(policy);
    headers.insert(X_CONTENT_TYPE_OPTIONS, HeaderValue::from_static("nosniff"));
    // Without any referrer a browser would not name the origin of a form's post either (WHATWG Fetch, 3.1).
    headers.insert(REFERRER_POLICY, SAME_ORIGIN);
    headers.insert(HeaderName::from_static("cross-origin-opener-policy"), SAME_ORIGIN);
    headers.insert(
        HeaderName::from_static("cross-origin-resource-policy"),
        SAME_ORIGIN,
    );
    // What is drawn for one light is not for the other.
    headers.insert(VARY, HeaderValue::from_static("cookie"));
    if follows {
        headers.remove(CACHE_CONTROL);
    }
    headers
        .entry(CACHE_CONTROL)
        .or_insert(HeaderValue::from_static("no-store"));
    response
}

fn allowed(method: &Method, headers: &HeaderMap, hosts: &Hosts) -> bool {
    let text = |name: HeaderName| headers.get(name).and_then(|v| v.to_str().ok());
    let Some(host) = text(HOST) else {
        return false;
    };
    let ours = hosts.0.iter().any(|name| name == host);
    let reads = *method == Method::GET || *method == Method::HEAD;
    let origin = text(ORIGIN);
    let same = origin.map_or(reads, |origin| origin == format!("http://{host}"));
    let site = text(HeaderName::from_static("sec-fetch-site"));
    // A link from elsewhere may open a page, but nothing elsewhere may load parts of it.
    let near = match site {
        None | Some("same-origin" | "none") => true,
        Some(_) => reads && text(HeaderName::from_static("sec-fetch-dest")) == Some("document"),
    };
    ours && same && near
}

#[cfg(test)]
mod tests {
    use super::*;

    fn asked(method: &Method, pairs: &[(&'static str, &'static str)]) -> bool {
        let headers = pairs
            .iter()
            .map(|(name, value)| (HeaderName::from_static(name), HeaderValue::from_static(value)))
            .collect();
        allowed(method, &headers, &Hosts::of_loopback(8417))
    }

    #[test]
    fn its_own_pages_may_ask() {
        let host = ("host", "127.0.0.1:8417");
        let origin = ("origin", "http://127.0.0.1:8417");
        assert!(asked(&Method::GET, &[host]));
        assert!(asked(
            &Method::POST,
            &[host, origin, ("sec-fetch-site", "same-origin")]
        ));
        assert!(asked(
            &Method::GET,
            &[("host", "localhost:8417"), ("sec-fetch-site", "none")]
        ));
    }

    #[test]
    fn a_name_from_elsewhere_is_refused() {
        for host in [
            "evil.example:8417",
            "127.0.0.1",
            "127.0.0.1:80",
            "127.0.0.1:8417.evil.example",
            "",
        ] {
            assert!(!asked(&Method::GET, &[("host", host)]), "{host}");
        }
        assert!(!asked(&Method::GET, &[]));
    }

    #[test]
    fn a_post_from_elsewhere_is_refused() {
        let host = ("host", "127.0.0.1:8417");
        assert!(!asked(&Method::POST, &[host]), "without an origin");
        for origin in [
            "http://evil.example",
            "http://127.0.0.1:9999",
            "null",
            "https://127.0.0.1:8417",
        ] {
            assert!(!asked(&Method::POST, &[host, ("origin", origin)]), "{origin}");
        }
        let origin = ("origin", "http://127.0.0.1:8417");
        assert!(!asked(
            &Method::POST,
            &[host, origin, ("sec-fetch-site", "cross-site")]
        ));
        assert!(!asked(
            &Method::GET,
            &[
                host,
                ("sec-fetch-site", "cross-site"),
                ("sec-fetch-dest", "image")
            ]
        ));
    }
}
