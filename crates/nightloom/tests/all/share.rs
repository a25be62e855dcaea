//! `nightloom serve --share`: who gets in over the local network, and who does not.
//!
//! A second loopback address stands for the local network's.
#![cfg(target_os = "linux")]

use std::time::Instant;

use crate::browser::{Answer, Browser, Served, exchange_at};
use crate::pages::outing;

const SHARED: &str = "127.0.0.2";

struct Shared {
    served: Served,
    port: u16,
    token: String,
}

impl Shared {
    fn at(folder: &std::path::Path) -> Self {
        let mut served = Served::with(folder, &[&format!("--share={SHARED}")]);
        let told = served.told_until("not encrypted");
        let address = told
            .split(&format!("http://{SHARED}:"))
            .nth(1)
            .expect("the address");
        let (port, rest) = address.split_once("/enter?token=").expect("a token");
        let token = rest.lines().next().expect("a line").trim().to_owned();
        assert!(told.contains('█'), "no code: {told}");
        Self {
            served,
            port: port.parse().expect("a port"),
            token,
        }
    }

    fn ask(&self, method: &str, path: &str, headers: &[(&str, &str)]) -> Answer {
        let host = format!("{SHARED}:{}", self.port);
        let mut all = vec![("Host", host.as_str())];
        all.extend(headers);
        exchange_at(&host, method, path, &all, b"")
    }

    /// Hands the token in; the cookie it gives.
    fn enter(&self) -> Option<String> {
        let answer = self.ask("GET", &format!("/enter?token={}", self.token), &[]);
        let line = answer.head.lines().find_map(|l| l.strip_prefix("set-cookie: "))?;
        assert_eq!(answer.status, 303);
        assert!(
            line.contains("HttpOnly") && line.contains("SameSite=Strict"),
            "{line}"
        );
        Some(line.split(';').next()?.to_owned())
    }
}

const PATHS: [&str; 16] = [
    "/",
    "/night",
    "/settings",
    "/frames",
    "/pixels?name=a.png",
    "/thumbnail?name=a.png",
    "/verdict?name=a.png",
    "/assets/app.js",
    "/chart/strip.svg",
    "/events",
    "/report",
    "/develop",
    "/versions",
    "/share/code.svg",
    "/nowhere",
    "/enter/",
];

#[test]
fn without_the_token_every_path_refuses() {
    let folder = outing();
    let shared = Shared::at(folder.path());
    for path in PATHS {
        let forged = format!("nightloom-phone={}", "0".repeat(32));
        for headers in [
            vec![],
            vec![("Cookie", forged.as_str())],
            vec![("Cookie", "nightloom-phone=")],
        ] {
            let answer = shared.ask("GET", path, &headers);
            assert_eq!(answer.status, 401, "{path}");
            assert!(!answer.text().contains("Ridge"), "{path}");
        }
    }
    assert_eq!(shared.ask("POST", "/build", &[]).status, 403, "without an origin");
    let origin = format!("http://{SHARED}:{}", shared.port);
    assert_eq!(shared.ask("POST", "/build", &[("Origin", &origin)]).status, 401);
    // A look ahead opens nothing and spends nothing.
    assert_eq!(
        shared
            .ask("HEAD", &format!("/enter?token={}", shared.token), &[])
            .status,
        401
    );
    // Loopback is as it was.
    let here = format!("127.0.0.1:{}", shared.served.port);
    assert_eq!(
        exchange_at(&here, "GET", "/", &[("Host", &here)], b"").status,
        200
    );
    assert!(shared.enter().is_some());
}

#[test]
fn a_token_opens_once_and_its_cookie_stays() {
    let folder = outing();
    let shared = Shared::at(folder.path());
    let began = Instant::now();
    assert_eq!(shared.ask("GET", "/enter?token=0123", &[]).status, 403);
    assert!(began.elapsed().as_millis() >= 450, "a wrong one costs nothing");
    let cookie = shared.enter().expect("let in");
    assert_eq!(shared.enter(), None, "spent");
    for path in ["/", "/night", "/chart/strip.svg", "/assets/app.js"] {
        assert_eq!(
            shared.ask("GET", path, &[("Cookie", &cookie)]).status,
            200,
            "{path}"
        );
    }
    // The phone is not shown how another one gets in.
    let page = shared.ask("GET", "/", &[("Cookie", &cookie)]).text();
    assert!(page.contains("Ridge") && !page.contains("token"), "{page}");
    assert_eq!(
        shared
            .ask("GET", "/share/code.svg", &[("Cookie", &cookie)])
            .status,
        404
    );
    // Nothing outside the outing.
    for path in [
        "/pixels?name=../../etc/passwd",
        "/thumbnail?name=%2Fetc%2Fpasswd",
        "/assets/..%2F..%2FCargo.toml",
    ] {
        assert_eq!(
            shared.ask("GET", path, &[("Cookie", &cookie)]).status,
            404,
            "{path}"
        );
    }
    // The cookie is of no use under another name, nor for a page from elsewhere.
    let own = format!("{SHARED}:{}", shared.port);
    for host in [
        "evil.example",
        "127.0.0.1",
        &format!("localhost:{}", shared.port),
        &format!("127.0.0.1:{}", shared.port),
    ] {
        let answer = exchange_at(&own, "GET", "/", &[("Host", host), ("Cookie", &cookie)], b"");
        assert_eq!(answer.status, 403, "{host}");
    }
    let elsewhere = [("Cookie", cookie.as_str()), ("Origin", "http://evil.example")];
    assert_eq!(shared.ask("POST", "/build", &elsewhere).status, 403);
    // Nor does the shared name open the loopback address.
    let here = format!("127.0.0.1:{}", shared.served.port);
    let shared_name = format!("{SHARED}:{}", shared.served.port);
    assert_eq!(
        exchange_at(&here, "GET", "/", &[("Host", &shared_name)], b"").status,
        403
    );
}

#[test]
fn the_laptop_shows_a_new_code_to_the_next_phone() {
    let folder = outing();
    let shared = Shared::at(folder.path());
    let laptop = Browser::start(1000, 900);
    laptop.go(&shared.served.url("/"));
    laptop.until("document.querySelector('img.code').naturalWidth > 0");
    let shown = laptop.run("return document.querySelector('#phone code').textContent");
    assert!(
        shown.as_str().is_some_and(|s| s.contains(&shared.token)),
        "{shown}"
    );
    // The first phone, a browser of its own. Who is not let in is not blinded either.
    let phone = Browser::start(360, 740);
    phone.go(&format!("http://{SHARED}:{}/night", shared.port));
    let worst = phone.worst();
    assert!(worst[0] > 100 && worst[1] <= 8 && worst[2] <= 8, "{worst:?}");
    phone.go(shown.as_str().expect("an address"));
    phone.until("document.querySelector('h1')?.textContent.includes('Ridge')");
    let beyond = phone.run("return document.documentElement.scrollWidth - innerWidth");
    assert_eq!(beyond, serde_json::json!(0));
    // An edit by the phone is one of the outing.
    phone.go(&format!("http://{SHARED}:{}/settings", shared.port));
    phone.fill("outing.note", "from the tripod");
    phone.until("document.getElementById('outing.note').dataset.was === 'from the tripod'");
    laptop.go(&shared.served.url("/"));
    laptop.until("!document.querySelector('img.code')");
    laptop.run("document.querySelector('#phone button').click()");
    laptop.until("document.querySelector('img.code')?.naturalWidth > 0");
    let next = laptop.run("return document.querySelector('#phone code').textContent");
    assert_ne!(next, shown);
    let other = Browser::start(360, 740);
    other.go(shown.as_str().expect("an address"));
    assert!(
        other
            .run("return document.body.innerText")
            .as_str()
            .is_some_and(|t| t.contains("used before"))
    );
    other.go(next.as_str().expect("an address"));
    other.until("document.querySelector('h1')?.textContent.includes('Ridge')");
}

#[test]
fn the_world_is_not_let_in() {
    let folder = outing();
    for (asked, part) in [
        ("203.0.113.5", "not an address of a local network"),
        ("0.0.0.0", "not an address"),
        ("10.255.254.253", "cannot be listened at"),
    ] {
        let tried = std::process::Command::new(env!("CARGO_BIN_EXE_nightloom"))
            .args([
                "serve",
                "--no-browser",
                "--port",
                "0",
                &format!("--share={asked}"),
            ])
            .arg(folder.path())
            .output()
            .expect("it starts");
        let said = String::from_utf8_lossy(&tried.stderr).into_owned();
        assert_eq!(tried.status.code(), Some(2), "{asked}: {said}");
        assert!(said.contains(part), "{asked}: {said}");
    }
}

#[test]
fn guessers_do_not_lock_the_right_phone_out() {
    let folder = outing();
    let shared = Shared::at(folder.path());
    let stop = std::sync::atomic::AtomicBool::new(false);
    std::thread::scope(|scope| {
        for n in 0..20 {
            let (shared, stop) = (&shared, &stop);
            scope.spawn(move || {
                while !stop.load(std::sync::atomic::Ordering::Relaxed) {
                    let status = shared.ask("GET", &format!("/enter?token={n:032x}"), &[]).status;
                    assert!(status == 403 || status == 429, "{status}");
                }
            });
        }
        std::thread::sleep(std::time::Duration::from_millis(700));
        let began = Instant::now();
        let entered = shared.enter();
        stop.store(true, std::sync::atomic::Ordering::Relaxed);
        assert!(entered.is_some(), "locked out");
        println!("let in beside 20 guessers in {:?}", began.elapsed());
    });
}
