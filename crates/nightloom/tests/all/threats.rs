//! The threat model of SECURITY.md, line by line, against the program that serves.
#![cfg(unix)]

use std::fs;
use std::io::{ErrorKind, Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::time::{Duration, Instant};

use serde_json::json;

use crate::browser::{Answer, Served, bare_exchange, exchange};
use crate::pages::outing;

/// What a program of this machine asks that was not given the key.
fn stranger(served: &Served, method: &str, path: &str, cookie: Option<&str>) -> Answer {
    let host = format!("127.0.0.1:{}", served.port);
    let mut headers = vec![("Host", host.clone()), ("Origin", format!("http://{host}"))];
    headers.extend(cookie.map(|c| ("Cookie", c.to_owned())));
    bare_exchange(&host, method, path, &headers, b"")
}

#[test]
fn loopback_asks_for_the_key() {
    let folder = outing();
    let served = Served::at(folder.path());
    let forged = format!("nightloom-{}={}", served.port, "0".repeat(32));
    for path in [
        "/",
        "/settings",
        "/chart/strip.svg",
        "/events",
        "/report",
        "/develop",
        "/versions",
        "/export/file?name=export-1.jpg",
        "/assets/app.js",
        "/share/code.svg",
        "/nowhere",
        "/?token=",
        "/?token=00000000000000000000000000000000",
    ] {
        for cookie in [None, Some(forged.as_str()), Some("nightloom-=")] {
            let answer = stranger(&served, "GET", path, cookie);
            assert_eq!(answer.status, 401, "{path}");
            assert!(!answer.text().contains("Ridge"), "{path}");
        }
    }
    for path in [
        "/settings",
        "/settings/place",
        "/build",
        "/build/stop",
        "/develop/view",
        "/develop/keep",
        "/export",
        "/frames/say",
        "/dropped",
        "/share/new",
    ] {
        assert_eq!(stranger(&served, "POST", path, None).status, 401, "{path}");
    }
    // Whoever has the key is led to the same page without it, with a cookie that scripts cannot read.
    let let_in = stranger(
        &served,
        "GET",
        &format!("/settings?x=1&token={}", served.key),
        None,
    );
    assert_eq!(let_in.status, 303);
    let head = let_in.head.to_ascii_lowercase();
    assert!(
        head.contains("location: /settings?x=1\r") || head.contains("location: /settings?x=1"),
        "{head}"
    );
    assert!(
        head.contains("httponly") && head.contains("samesite=strict"),
        "{head}"
    );
}

fn set_skyline(served: &Served, was: &str, value: &str) -> Answer {
    let host = format!("127.0.0.1:{}", served.port);
    let origin = format!("http://{host}");
    let edit = json!({ "section": "site", "key": "skyline", "was": was, "value": value }).to_string();
    let headers = [
        ("Host", host.as_str()),
        ("Origin", origin.as_str()),
        ("Content-Type", "application/json"),
    ];
    exchange(served.port, "POST", "/settings", &headers, &edit)
}

fn strip(served: &Served) -> Answer {
    let host = format!("127.0.0.1:{}", served.port);
    exchange(served.port, "GET", "/chart/strip.svg", &[("Host", &host)], "")
}

#[test]
fn no_option_reaches_a_file_outside_the_outing() {
    const SECRET: &str = "correct horse battery staple";
    let folder = outing();
    let elsewhere = tempfile::tempdir().unwrap();
    let secret = elsewhere.path().join("secret.csv");
    fs::write(&secret, format!("{SECRET}\n{SECRET}, {SECRET}\n")).unwrap();
    std::os::unix::fs::symlink(&secret, folder.path().join("link.csv")).unwrap();
    let served = Served::at(folder.path());
    let before = fs::read_to_string(folder.path().join("outing.toml")).unwrap();
    for path in [
        secret.to_str().unwrap(),
        "/etc/passwd",
        "/dev/zero",
        "../secret.csv",
        "x/../../secret.csv",
        "link.csv",
    ] {
        let answer = set_skyline(&served, "", path);
        assert_eq!(answer.status, 422, "{path}: {}", answer.text());
        assert!(answer.text().contains("inside the outing"), "{}", answer.text());
        assert!(!strip(&served).text().contains("horse"), "{path}");
    }
    assert_eq!(
        fs::read_to_string(folder.path().join("outing.toml")).unwrap(),
        before
    );
    fs::write(folder.path().join("ridge.csv"), "0, 5\n").unwrap();
    assert_eq!(set_skyline(&served, "", "ridge.csv").status, 200);
    // Written by hand it may lie elsewhere; who sees the page is told what is wrong, and not what is in it.
    let by_hand = before.replace(
        "[site]\n",
        &format!("[site]\nskyline = {:?}\n", secret.display().to_string()),
    );
    fs::write(folder.path().join("outing.toml"), by_hand).unwrap();
    let answer = strip(&served);
    assert!(
        answer.status != 200 && !answer.text().contains("horse"),
        "{}",
        answer.text()
    );
    assert!(answer.text().contains("secret.csv"), "{}", answer.text());
}

/// Connections that ask nothing, and how long an answer may take beside them: half of the answers, and any, for other tests
/// run meanwhile.
const IDLE: usize = 2000;
const ANSWERED_WITHIN: Duration = Duration::from_millis(50);
const ANSWERED_AT_ALL_WITHIN: Duration = Duration::from_millis(500);

#[test]
fn idle_connections_hold_nobody_up() {
    use nix::sys::resource::{Resource, getrlimit, setrlimit};
    let (_, most) = getrlimit(Resource::RLIMIT_NOFILE).unwrap();
    setrlimit(Resource::RLIMIT_NOFILE, most, most).unwrap();
    let folder = outing();
    let served = Served::at(folder.path());
    let count = IDLE.min((most as usize).saturating_sub(200));
    let mut held = Vec::new();
    for _ in 0..count {
        held.extend(TcpStream::connect(("127.0.0.1", served.port)));
    }
    assert!(held.len() >= count * 9 / 10, "{} of {count}", held.len());
    let host = format!("127.0.0.1:{}", served.port);
    let mut times = Vec::new();
    for _ in 0..21 {
        let began = Instant::now();
        let answer = exchange(served.port, "GET", "/assets/app.js", &[("Host", &host)], "");
        assert_eq!(answer.status, 200);
        times.push(began.elapsed());
    }
    times.sort();
    let (half, worst) = (times[times.len() / 2], times[times.len() - 1]);
    println!(
        "beside {} idle connections: {half:?}, at most {worst:?}",
        held.len()
    );
    assert!(
        half < ANSWERED_WITHIN && worst < ANSWERED_AT_ALL_WITHIN,
        "{half:?}, {worst:?}"
    );
    // Those that gave way are closed.
    let closed = held.iter_mut().take(50).filter_map(|s| {
        s.set_read_timeout(Some(Duration::from_millis(50))).unwrap();
        let end = s.read(&mut [0]);
        (matches!(end, Ok(0)) || end.is_err_and(|e| e.kind() == ErrorKind::ConnectionReset)).then_some(())
    });
    assert!(closed.count() >= 45);
}

/// A head and a body must come within ten seconds.
#[test]
fn slow_questions_are_given_up() {
    let folder = outing();
    let served = Served::at(folder.path());
    let host = format!("127.0.0.1:{}", served.port);
    let connect = || TcpStream::connect(("127.0.0.1", served.port)).unwrap();
    let (mut silent, mut head, mut body) = (connect(), connect(), connect());
    let let_in = stranger(&served, "GET", &format!("/?token={}", served.key), None);
    let cookie = let_in
        .head
        .lines()
        .find_map(|l| l.strip_prefix("set-cookie: "))
        .unwrap();
    let cookie = cookie.split(';').next().unwrap();
    head.write_all(format!("GET / HTTP/1.1\r\nHost: {host}\r\nX-Slow: ").as_bytes())
        .unwrap();
    let start = format!(
        "POST /settings HTTP/1.1\r\nHost: {host}\r\nOrigin: http://{host}\r\nCookie: {cookie}\r\nContent-Type: application/json\r\nContent-Length: 1000\r\n\r\n{{"
    );
    body.write_all(start.as_bytes()).unwrap();
    let began = Instant::now();
    let mut answers = Vec::new();
    for stream in [&mut silent, &mut head, &mut body] {
        stream.set_read_timeout(Some(Duration::from_secs(14))).unwrap();
        let mut all = Vec::new();
        let end = stream.read_to_end(&mut all);
        assert!(
            end.is_ok() || end.is_err_and(|e| e.kind() == ErrorKind::ConnectionReset),
            "it is not closed in time"
        );
        answers.push(String::from_utf8_lossy(&all).into_owned());
    }
    assert!(began.elapsed() < Duration::from_secs(14), "{:?}", began.elapsed());
    assert!(answers[2].contains(" 408 "), "{answers:?}");
}

#[test]
fn an_upload_of_a_killed_server_goes_at_the_next_start() {
    let (folder, temp) = (outing(), tempfile::tempdir().unwrap());
    let left = |temp: &Path| {
        fs::read_dir(temp)
            .unwrap()
            .flatten()
            .filter(|e| e.file_name().to_string_lossy().starts_with("nightloom-dropped"))
            .count()
    };
    let drop_one = |served: &Served| {
        let host = format!("127.0.0.1:{}", served.port);
        let origin = format!("http://{host}");
        let headers = [("Host", host.as_str()), ("Origin", origin.as_str())];
        let answer = exchange(served.port, "POST", "/dropped?name=a.dng", &headers, "pixels");
        assert_eq!(answer.status, 200, "{}", answer.text());
    };
    let killed = Served::keeping(folder.path(), &[], temp.path());
    drop_one(&killed);
    // SIGKILL.
    drop(killed);
    assert_eq!(left(temp.path()), 1);
    let lives = Served::keeping(folder.path(), &[], temp.path());
    assert_eq!(left(temp.path()), 0, "swept at the start");
    drop_one(&lives);
    let other = Served::keeping(folder.path(), &[], temp.path());
    assert_eq!(left(temp.path()), 1, "what is in use stays");
    other.interrupt();
    lives.interrupt();
    assert_eq!(left(temp.path()), 0);
}

#[test]
fn two_servers_lose_no_edit() {
    let folder = outing();
    let servers = [Served::at(folder.path()), Served::at(folder.path())];
    let set = |served: &Served, key: &str, value: String| {
        let host = format!("127.0.0.1:{}", served.port);
        let origin = format!("http://{host}");
        let edit = json!({ "section": "rig", "key": key, "was": "", "value": value }).to_string();
        let headers = [
            ("Host", host.as_str()),
            ("Origin", origin.as_str()),
            ("Content-Type", "application/json"),
        ];
        exchange(served.port, "POST", "/settings", &headers, &edit).status
    };
    // Each sets options of its own, over and over; at the end all stand.
    for round in 0..10 {
        std::thread::scope(|scope| {
            for (served, keys) in servers
                .iter()
                .zip([["camera", "lens"], ["pixel_um", "fits_black"]])
            {
                scope.spawn(move || {
                    for key in keys {
                        let text = if key.contains('_') {
                            format!("{}", round + 3)
                        } else {
                            format!("name {round}")
                        };
                        assert_eq!(set(served, key, text), 200, "{key}");
                    }
                });
            }
        });
        let text = fs::read_to_string(folder.path().join("outing.toml")).unwrap();
        for part in ["camera = \"name", "lens = \"name", "pixel_um = ", "fits_black = "] {
            assert!(text.contains(part), "{part} is lost in round {round}:\n{text}");
        }
        let bare: String = text
            .lines()
            .filter(|l| {
                !["camera =", "lens =", "pixel_um =", "fits_black ="]
                    .iter()
                    .any(|k| l.starts_with(k))
            })
            .map(|l| format!("{l}\n"))
            .collect();
        fs::write(folder.path().join("outing.toml"), bare).unwrap();
    }
}
