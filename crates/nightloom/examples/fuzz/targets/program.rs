//! The program from outside: its command line, and the requests that its pages take.

use std::fs;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{Shutdown, TcpListener, TcpStream};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use super::pictures::fixtures;
use super::{Place, Target, seed};

/// Values on the command line: any of them ends in an answer or a sentence, status 0, 1 or 2.
pub(super) fn command_line(program: &str) -> Target {
    let (program, place) = (program.to_owned(), Place::new("words"));
    let corpus = [
        "night\n--lat\n46.5\n--lon\n8.0\n--date\n2026-08-12",
        "exposure\n--focal\n24\n--f-number\n2.8",
        "trail\n--focal\n35\n--pixel\n4.3\n--exposure\n120",
        "subjects\nMilky Way",
        "where-is\nVega\n--lat\n46.5\n--lon\n8\n--at\n2026-08-12T22:00:00Z",
        "focus\n--focal\n20\n--f-number\n2.8\n--pixel\n4",
        "polar\n--lat\n46.5\n--lon\n8\n--at\n2026-08-12T22:00:00Z",
    ];
    let corpus = corpus.iter().map(|line| line.as_bytes().to_vec()).collect();
    Target::new("command line", corpus, move |bytes| {
        let words = String::from_utf8_lossy(bytes).replace('\0', "");
        let words: Vec<&str> = words.lines().collect();
        // Commands that wait for somebody are not for this.
        if words
            .first()
            .is_none_or(|w| ["serve", "watch", "demo", "decode-child"].contains(w))
        {
            return Ok(());
        }
        let output = Command::new(&program)
            .args(&words)
            .current_dir(&place.0)
            .stdin(Stdio::null())
            .output()
            .map_err(|e| e.to_string())?;
        match output.status.code() {
            Some(0..=2) => Ok(()),
            other => Err(format!(
                "ended with {other:?}: {}",
                String::from_utf8_lossy(&output.stderr)
            )),
        }
    })
}

/// An answer must come within this; a head or a body that never ends is given up after ten seconds, which are more on a
/// machine that does much else.
const ANSWERED_WITHIN: Duration = Duration::from_secs(60);

/// The program serving an outing of its own.
struct Served {
    child: Child,
    at: String,
    cookie: String,
    place: Place,
}

impl Served {
    fn new(program: &str) -> Result<Self, String> {
        let place = Place::new("pages");
        place.with("outing/outing.toml", &seed("outing.toml"));
        let frame = fs::read(fixtures().join("written.dng")).unwrap_or_default();
        for name in ["sky/a.dng", "land/b.dng"] {
            place.with(&format!("outing/{name}"), &frame);
        }
        let said = fs::File::create(place.0.join("said")).map_err(|e| e.to_string())?;
        let port = TcpListener::bind("127.0.0.1:0").and_then(|l| l.local_addr());
        let port = port.map_err(|e| e.to_string())?.port();
        let mut child = Command::new(program)
            .args(["serve", "--no-browser", "--port", &port.to_string()])
            .arg(place.0.join("outing"))
            .env("TMPDIR", &place.0)
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(said)
            .spawn()
            .map_err(|e| e.to_string())?;
        let mut line = String::new();
        if let Some(told) = child.stdout.take() {
            let _ = BufReader::new(told).read_line(&mut line);
        }
        let key = line
            .split("token=")
            .nth(1)
            .and_then(|t| t.split_whitespace().next());
        let key = key.unwrap_or_default().to_owned();
        let mut served = Self {
            child,
            at: format!("127.0.0.1:{port}"),
            cookie: String::new(),
            place,
        };
        let enter = format!(
            "GET /?token={key} HTTP/1.1\r\nHost: {}\r\nConnection: close\r\n\r\n",
            served.at
        );
        let mut head = String::new();
        let began = Instant::now();
        while head.is_empty() && began.elapsed() < ANSWERED_WITHIN {
            head = served.ask(enter.as_bytes()).unwrap_or_default();
            std::thread::sleep(Duration::from_millis(200));
        }
        let cookie = head.lines().find_map(|l| l.strip_prefix("set-cookie: "));
        served.cookie = cookie
            .and_then(|c| c.split(';').next())
            .unwrap_or_default()
            .to_owned();
        match served.cookie.is_empty() {
            true => Err(format!("nobody is let in: {head}")),
            false => Ok(served),
        }
    }

    /// Sends bytes; what comes back until the connection ends, or as much as the first pieces of it.
    fn ask(&self, bytes: &[u8]) -> Result<String, String> {
        let failed = |e: std::io::Error| format!("no answer: {e}");
        let began = Instant::now();
        let mut stream = TcpStream::connect(&self.at).map_err(failed)?;
        stream.set_read_timeout(Some(ANSWERED_WITHIN)).map_err(failed)?;
        // It may answer and close before it has read everything.
        let _ = stream
            .write_all(bytes)
            .and_then(|()| stream.shutdown(Shutdown::Write));
        let (mut all, mut piece) = (Vec::new(), [0; 16_384]);
        // A stream of events does not end by itself: its head is enough.
        while !all
            .windows(17)
            .any(|w| w.eq_ignore_ascii_case(b"text/event-stream"))
        {
            match stream.read(&mut piece) {
                Ok(0) => break,
                Ok(n) => all.extend_from_slice(&piece[..n]),
                Err(e) if began.elapsed() >= ANSWERED_WITHIN => return Err(failed(e)),
                Err(_) => break,
            }
        }
        Ok(String::from_utf8_lossy(&all).into_owned())
    }
}

impl Drop for Served {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

const POST: &str =
    "Host: @HOST\r\nOrigin: http://@HOST\r\nCookie: @COOKIE\r\nContent-Type: application/json\r\n";

fn requests_seen() -> Vec<Vec<u8>> {
    let get = |path: &str| {
        format!("GET {path} HTTP/1.1\r\nHost: @HOST\r\nCookie: @COOKIE\r\nConnection: close\r\n\r\n")
    };
    let post = |path: &str, body: &str| {
        format!(
            "POST {path} HTTP/1.1\r\n{POST}Connection: close\r\nContent-Length: {}\r\n\r\n{body}",
            body.len()
        )
    };
    let mut all: Vec<String> = [
        "/",
        "/night?date=2026-08-12",
        "/exposure?focal=24&f_number=2.8&iso=1600",
        "/pole",
        "/frames",
        "/picture",
        "/settings",
        "/chart/strip.svg?date=2026-08-12",
        "/chart/view.svg?azimuth=180&altitude=20",
        "/pixels/tile?name=sky%2Fa.dng&level=0&x=0&y=0&stretch=auto",
        "/pixels/value?name=sky%2Fa.dng&x=1&y=2",
        "/verdict?name=sky/a.dng",
        "/thumbnail?name=sky%2Fa.dng",
        "/pixels?name=sky%2Fa.dng",
        "/export/file?name=export-1.jpg",
        "/hints/matte?x=0&y=0",
        "/versions",
    ]
    .into_iter()
    .map(get)
    .collect();
    all.extend([
        post("/settings", "{\"section\":\"rig\",\"key\":\"focal_mm\",\"was\":\"24.0\",\"value\":\"35\"}"),
        post(
            "/settings/place",
            "{\"latitude\":{\"was\":\"46.52\",\"value\":\"46.5\"},\"longitude\":{\"was\":\"8.03\",\"value\":\"8\"}}",
        ),
        post(
            "/hints",
            "{\"was\":\"none\",\"strokes\":[{\"is\":\"land\",\"radius_px\":12.5,\"points_px\":[[10,20],[30,40]]}]}",
        ),
        post(
            "/develop/view",
            "{\"page\":1,\"identity\":\"0\",\"values\":{\"stretch\":\"0.8\"},\"level\":0,\"left\":0,\"top\":0,\"width\":64,\"height\":64}",
        ),
        post(
            "/develop/keep",
            "{\"changed\":{\"stretch\":{\"was\":\"0.8\",\"value\":\"0.7\"}}}",
        ),
        post(
            "/export",
            "{\"identity\":\"0\",\"values\":{},\"kind\":\"jpeg\",\"long_px\":2000,\"crop\":[0,0,60,40]}",
        ),
        post(
            "/frames/say",
            "{\"name\":\"sky/a.dng\",\"was\":[\"\",\"\"],\"role\":\"sky\",\"used\":\"false\"}",
        ),
        post("/look", "{\"look\":\"red\"}"),
        post("/dropped?name=..%2Fa.dng", "pixels"),
        post("/build", ""),
    ]);
    all.into_iter().map(String::into_bytes).collect()
}

/// Requests as browsers send them, changed: an answer or an end in time, never the server's own fault, never a panic.
pub(super) fn requests(program: &str) -> Target {
    let served = Served::new(program);
    Target::new("requests", requests_seen(), move |bytes| {
        let served = served.as_ref().map_err(Clone::clone)?;
        let mut request = bytes.to_vec();
        for (mark, value) in [("@HOST", &served.at), ("@COOKIE", &served.cookie)] {
            request = replaced(&request, mark.as_bytes(), value.as_bytes());
        }
        let answer = served.ask(&request)?;
        let said = fs::read_to_string(served.place.0.join("said")).unwrap_or_default();
        if let Some(at) = said.find("panicked") {
            return Err(said[at..].chars().take(300).collect());
        }
        match answer.split(' ').nth(1) {
            Some("500") => Err(answer.chars().take(600).collect()),
            _ => Ok(()),
        }
    })
}

fn replaced(bytes: &[u8], mark: &[u8], value: &[u8]) -> Vec<u8> {
    let mut all = Vec::new();
    let mut at = 0;
    while at < bytes.len() {
        if bytes[at..].starts_with(mark) {
            all.extend(value);
            at += mark.len();
        } else {
            all.push(bytes[at]);
            at += 1;
        }
    }
    all
}
