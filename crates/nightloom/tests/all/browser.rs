//! A real browser, driven over the WebDriver protocol (W3C Recommendation, 2018) by plain HTTP.

use std::collections::BTreeMap;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::process::{Child, ChildStdout, Command, Stdio};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use serde_json::{Value, json};

const PATIENCE: Duration = Duration::from_secs(30);

/// The program serving an outing.
pub(crate) struct Served {
    child: Child,
    pub(crate) port: u16,
    /// Opens this server to a browser.
    pub(crate) key: String,
    first: String,
    told: Option<BufReader<ChildStdout>>,
}

/// Cookies that open the servers of this process, by port: every exchange brings them along.
static KEYS: Mutex<BTreeMap<u16, String>> = Mutex::new(BTreeMap::new());

fn keys() -> MutexGuard<'static, BTreeMap<u16, String>> {
    KEYS.lock().unwrap_or_else(PoisonError::into_inner)
}

/// The cookie that a request to a port has to carry.
pub(crate) fn key_of(port: u16) -> String {
    keys().get(&port).cloned().unwrap_or_default()
}

impl Served {
    pub(crate) fn at(folder: &Path) -> Self {
        Self::with(folder, &[])
    }

    pub(crate) fn with(folder: &Path, args: &[&str]) -> Self {
        Self::keeping(folder, args, &std::env::temp_dir())
    }

    /// With its own place for temporary files.
    pub(crate) fn keeping(folder: &Path, args: &[&str], temp: &Path) -> Self {
        Self::on(free_port(), folder, args, temp)
    }

    /// The program killed, so that it can keep nothing, and started anew where it was.
    pub(crate) fn killed(self, meanwhile: impl FnOnce(), folder: &Path) -> Self {
        let port = self.port;
        drop(self);
        meanwhile();
        Self::on(port, folder, &[], &std::env::temp_dir())
    }

    fn on(port: u16, folder: &Path, args: &[&str], temp: &Path) -> Self {
        let mut program = Command::new(env!("CARGO_BIN_EXE_nightloom"));
        program
            .args(["serve", "--no-browser", "--port", &port.to_string()])
            .args(args)
            .arg(folder)
            .env("TMPDIR", temp)
            .stdin(Stdio::null());
        Self::started(program, port)
    }

    /// Started by a command that is given the program's words.
    pub(crate) fn by(command: impl FnOnce(&[&str]) -> Command, folder: &Path) -> Self {
        let port = free_port();
        let (told, folder) = (port.to_string(), folder.display().to_string());
        Self::started(
            command(&["serve", "--no-browser", "--port", &told, &folder]),
            port,
        )
    }

    fn started(mut program: Command, port: u16) -> Self {
        let mut child = program
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("the program starts");
        wait_for(port);
        let mut told = child.stdout.take().map(BufReader::new);
        let mut first = String::new();
        if let Some(told) = &mut told {
            told.read_line(&mut first).expect("text");
        }
        let key = first.split("token=").nth(1).and_then(|t| t.split(' ').next());
        let key = key.expect("an address with a token").to_owned();
        let host = format!("127.0.0.1:{port}");
        let let_in = exchange(port, "GET", &format!("/?token={key}"), &[("Host", &host)], "");
        let cookie = let_in.head.lines().find_map(|l| l.strip_prefix("set-cookie: "));
        let cookie = cookie.and_then(|c| c.split(';').next()).expect("a cookie");
        keys().insert(port, cookie.to_owned());
        Self {
            child,
            port,
            key,
            first,
            told,
        }
    }

    /// What it printed, up to the line with these words.
    pub(crate) fn told_until(&mut self, words: &str) -> String {
        let lines = self.told.take().expect("not read yet").lines();
        let mut all = std::mem::take(&mut self.first);
        for line in lines {
            all += &format!("{}\n", line.expect("text"));
            if all.contains(words) {
                break;
            }
        }
        all
    }

    /// Ends it as Ctrl-C does.
    #[cfg(unix)]
    pub(crate) fn interrupt(mut self) {
        let id = self.child.id().to_string();
        let sent = Command::new("kill").args(["-INT", &id]).status().expect("kill");
        assert!(sent.success());
        self.child.wait().expect("its end");
    }

    /// The address of a page, with what opens it to any browser.
    pub(crate) fn url(&self, path: &str) -> String {
        let (path, part) = path
            .split_once('#')
            .map_or((path, String::new()), |(p, part)| (p, format!("#{part}")));
        let mark = if path.contains('?') { '&' } else { '?' };
        format!(
            "http://127.0.0.1:{}{path}{mark}token={}{part}",
            self.port, self.key
        )
    }
}

impl Drop for Served {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn free_port() -> u16 {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a free port");
    listener.local_addr().expect("its number").port()
}

fn wait_for(port: u16) {
    let began = Instant::now();
    while TcpStream::connect(("127.0.0.1", port)).is_err() {
        assert!(began.elapsed() < PATIENCE, "nothing answers on port {port}");
        std::thread::sleep(Duration::from_millis(30));
    }
}

/// Status, headers and body of one answer.
pub(crate) struct Answer {
    pub(crate) status: u16,
    pub(crate) head: String,
    pub(crate) body: Vec<u8>,
}

impl Answer {
    pub(crate) fn text(&self) -> String {
        String::from_utf8_lossy(&self.body).into_owned()
    }
}

/// One HTTP/1.1 exchange with the headers given, and what opens that server.
pub(crate) fn exchange(port: u16, method: &str, path: &str, headers: &[(&str, &str)], body: &str) -> Answer {
    exchange_at(
        &format!("127.0.0.1:{port}"),
        method,
        path,
        headers,
        body.as_bytes(),
    )
}

pub(crate) fn exchange_at(
    at: &str,
    method: &str,
    path: &str,
    headers: &[(&str, &str)],
    body: &[u8],
) -> Answer {
    let port = at.rsplit(':').next().and_then(|p| p.parse().ok());
    let key = port.and_then(|p: u16| keys().get(&p).cloned());
    let mut headers: Vec<(&str, String)> = headers.iter().map(|(n, v)| (*n, (*v).to_owned())).collect();
    if let Some(key) = key {
        match headers.iter_mut().find(|(name, _)| *name == "Cookie") {
            Some((_, cookie)) => *cookie += &format!("; {key}"),
            None => headers.push(("Cookie", key)),
        }
    }
    bare_exchange(at, method, path, &headers, body)
}

/// The same with exactly the headers given.
pub(crate) fn bare_exchange(
    at: &str,
    method: &str,
    path: &str,
    headers: &[(&str, String)],
    body: &[u8],
) -> Answer {
    let mut stream = TcpStream::connect(at).expect("it listens");
    stream.set_read_timeout(Some(PATIENCE)).expect("a timeout");
    let mut request = format!("{method} {path} HTTP/1.1\r\nConnection: close\r\n");
    for (name, value) in headers {
        request += &format!("{name}: {value}\r\n");
    }
    request += &format!("Content-Length: {}\r\n\r\n", body.len());
    stream.write_all(request.as_bytes()).expect("it reads");
    stream.write_all(body).expect("it reads");
    let mut all = Vec::new();
    // Not every server closes when asked to; what its head promises is enough.
    let mut piece = [0; 16_384];
    while !is_whole(&all) {
        match stream.read(&mut piece).expect("it answers") {
            0 => break,
            n => all.extend_from_slice(&piece[..n]),
        }
    }
    let end = all.windows(4).position(|w| w == b"\r\n\r\n").expect("a head");
    let head = String::from_utf8_lossy(&all[..end]).into_owned();
    let status = head
        .split(' ')
        .nth(1)
        .and_then(|s| s.parse().ok())
        .expect("a status");
    let mut body = all.split_off(end + 4);
    if head.to_ascii_lowercase().contains("transfer-encoding: chunked") {
        body = unchunked(&body);
    }
    Answer { status, head, body }
}

/// Whether an answer with a stated length has come to its end.
fn is_whole(all: &[u8]) -> bool {
    let Some(end) = all.windows(4).position(|w| w == b"\r\n\r\n") else {
        return false;
    };
    let head = String::from_utf8_lossy(&all[..end]).to_ascii_lowercase();
    let length = head.lines().find_map(|line| line.strip_prefix("content-length:"));
    length
        .and_then(|n| n.trim().parse::<usize>().ok())
        .is_some_and(|n| all.len() >= end + 4 + n)
}

fn unchunked(mut rest: &[u8]) -> Vec<u8> {
    let mut out = Vec::new();
    while let Some(at) = rest.windows(2).position(|w| w == b"\r\n") {
        let size = std::str::from_utf8(&rest[..at])
            .ok()
            .and_then(|s| usize::from_str_radix(s.trim(), 16).ok());
        let Some(size) = size.filter(|s| *s > 0) else {
            break;
        };
        out.extend_from_slice(&rest[at + 2..at + 2 + size]);
        rest = &rest[at + 4 + size..];
    }
    out
}

/// A browser without a window, and its driver.
pub(crate) struct Browser {
    driver: Child,
    port: u16,
    session: String,
    _profile: tempfile::TempDir,
}

impl Browser {
    pub(crate) fn start(width: u32, height: u32) -> Self {
        let port = free_port();
        let profile = tempfile::tempdir().expect("a folder");
        let driver = Command::new("chromedriver")
            .arg(format!("--port={port}"))
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("chromedriver is missing; on Debian: apt-get install chromium chromium-driver (scripts/test does it)");
        wait_for(port);
        let mut browser = Self {
            driver,
            port,
            session: String::new(),
            _profile: profile,
        };
        let arguments = [
            "--headless=new".to_owned(),
            "--no-sandbox".into(),
            "--disable-gpu".into(),
            "--disable-quic".into(),
            "--no-first-run".into(),
            "--disable-background-networking".into(),
            "--disable-component-update".into(),
            "--disable-sync".into(),
            "--hide-scrollbars".into(),
            format!("--window-size={width},{height}"),
            format!("--user-data-dir={}", browser._profile.path().display()),
        ];
        let wanted =
            json!({ "capabilities": { "alwaysMatch": { "goog:chromeOptions": { "args": arguments } } } });
        let answer = browser.ask("POST", "/session", &wanted);
        browser.session = answer["sessionId"].as_str().expect("a session").to_owned();
        browser
    }

    fn ask(&self, method: &str, path: &str, body: &Value) -> Value {
        let host = format!("127.0.0.1:{}", self.port);
        let headers = [("Host", host.as_str()), ("Content-Type", "application/json")];
        let mut tries = 0;
        loop {
            let answer = exchange(self.port, method, path, &headers, &body.to_string());
            let value: Value = serde_json::from_slice(&answer.body).expect("JSON");
            // The driver gives up what it is asked while one page follows another.
            let between = value.to_string().contains("aborted by navigation");
            if answer.status != 200 && between && tries < 20 {
                tries += 1;
                std::thread::sleep(Duration::from_millis(50));
                continue;
            }
            assert_eq!(answer.status, 200, "{method} {path}: {value}");
            return value["value"].clone();
        }
    }

    fn command(&self, name: &str, body: &Value) -> Value {
        self.ask("POST", &format!("/session/{}/{name}", self.session), body)
    }

    pub(crate) fn go(&self, url: &str) {
        self.command("url", &json!({ "url": url }));
    }

    /// Runs a function's body in the page; a promise is waited for.
    pub(crate) fn run(&self, script: &str) -> Value {
        self.command("execute/sync", &json!({ "script": script, "args": [] }))
    }

    /// Waits until an expression is true in the page.
    pub(crate) fn until(&self, expression: &str) {
        let began = Instant::now();
        while self.run(&format!("return Boolean({expression})")) != json!(true) {
            assert!(began.elapsed() < PATIENCE, "never came: {expression}");
            std::thread::sleep(Duration::from_millis(40));
        }
    }

    /// Waits for the page's script, which is not yet there each time the driver calls a page loaded.
    pub(crate) fn scripted(&self) {
        self.until("'heard' in document.documentElement.dataset");
    }

    /// Puts the pages in red light.
    pub(crate) fn wear_red(&self) {
        self.scripted();
        self.run("document.querySelector('form[action=\"/look\"] button').click()");
        self.until("document.documentElement.dataset.look === 'red'");
    }

    pub(crate) fn devtools(&self, command: &str, parameters: &Value) -> Value {
        self.command(
            "goog/cdp/execute",
            &json!({ "cmd": command, "params": parameters }),
        )
    }

    pub(crate) fn size(&self, width: u32, height: u32) {
        let size = json!({ "width": width, "height": height, "deviceScaleFactor": 1, "mobile": false });
        self.devtools("Emulation.setDeviceMetricsOverride", &size);
    }

    /// The screen as a PNG.
    pub(crate) fn shot(&self) -> Vec<u8> {
        let shot = self.devtools("Page.captureScreenshot", &json!({ "format": "png" }));
        base64(shot["data"].as_str().expect("a picture"))
    }

    /// The screen as RGB.
    pub(crate) fn screen(&self) -> Vec<[u8; 3]> {
        let bytes = self.shot();
        let mut reader = png::Decoder::new(std::io::Cursor::new(bytes))
            .read_info()
            .expect("a PNG");
        let mut pixels = vec![0; reader.output_buffer_size().expect("a size")];
        let info = reader.next_frame(&mut pixels).expect("pixels");
        let channels = info.color_type.samples();
        pixels
            .chunks_exact(channels)
            .map(|p| [p[0], p[1], p[2]])
            .collect()
    }

    /// The most red, green and blue on the screen.
    pub(crate) fn worst(&self) -> [u8; 3] {
        let most = |w: [u8; 3], p: [u8; 3]| [w[0].max(p[0]), w[1].max(p[1]), w[2].max(p[2])];
        self.screen().into_iter().fold([0; 3], most)
    }

    /// Presses at one place, moves in steps, lets go.
    pub(crate) fn drag(&self, from: [i64; 2], by: [i64; 2], steps: i64) {
        let mut moves = vec![
            json!({ "type": "pointerMove", "duration": 0, "x": from[0], "y": from[1] }),
            json!({ "type": "pointerDown", "button": 0 }),
            json!({ "type": "pause", "duration": 300 }),
        ];
        moves.extend((1..=steps).map(|i| {
            json!({ "type": "pointerMove", "duration": 16, "x": from[0] + by[0] * i / steps, "y": from[1] + by[1] * i / steps })
        }));
        moves.push(json!({ "type": "pointerUp", "button": 0 }));
        let mouse = json!({ "type": "pointer", "id": "mouse", "parameters": { "pointerType": "mouse" }, "actions": moves });
        self.command("actions", &json!({ "actions": [mouse] }));
    }

    /// Chooses files as a person does in the system's own dialogue.
    pub(crate) fn choose(&self, selector: &str, files: &[&Path]) {
        let found = self.command("element", &json!({ "using": "css selector", "value": selector }));
        // The key of an element's name (WebDriver, section 12).
        let element = found["element-6066-11e4-a52e-4f735466cecf"]
            .as_str()
            .expect("an element");
        let names: Vec<String> = files.iter().map(|f| f.display().to_string()).collect();
        self.command(
            &format!("element/{element}/value"),
            &json!({ "text": names.join("\n") }),
        );
    }

    /// Types into a field and leaves it.
    pub(crate) fn fill(&self, id: &str, text: &str) {
        self.scripted();
        let text = serde_json::to_string(text).expect("text");
        self.run(&format!(
            "const f = document.getElementById('{id}'); f.focus(); f.value = {text}; \
             f.dispatchEvent(new Event('change', {{ bubbles: true }}));"
        ));
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        if !self.session.is_empty() && !std::thread::panicking() {
            self.ask("DELETE", &format!("/session/{}", self.session), &json!({}));
        }
        let _ = self.driver.kill();
        let _ = self.driver.wait();
    }
}

/// RFC 4648, section 4.
fn base64(text: &str) -> Vec<u8> {
    let digit = |c: u8| match c {
        b'A'..=b'Z' => Some(u32::from(c - b'A')),
        b'a'..=b'z' => Some(u32::from(c - b'a') + 26),
        b'0'..=b'9' => Some(u32::from(c - b'0') + 52),
        b'+' => Some(62),
        b'/' => Some(63),
        _ => None,
    };
    let digits: Vec<u32> = text.bytes().filter_map(digit).collect();
    let mut out = Vec::with_capacity(digits.len() * 3 / 4);
    for four in digits.chunks(4) {
        let word = four.iter().fold(0, |w, d| (w << 6) | d) << (6 * (4 - four.len()));
        out.extend_from_slice(&word.to_be_bytes()[1..four.len()]);
    }
    out
}

#[test]
fn base64_is_read_as_the_rfc_says() {
    // RFC 4648, section 10.
    for (text, bytes) in [
        ("Zg==", "f"),
        ("Zm8=", "fo"),
        ("Zm9v", "foo"),
        ("Zm9vYmFy", "foobar"),
    ] {
        assert_eq!(base64(text), bytes.as_bytes());
    }
}
