//! How long the pages and charts of an outing take on the server: `cargo run --example serve_times -- FOLDER`.
//!
//! Starts `nightloom serve` beside this program, asks for each address several times and tells the first answer, the
//! median and the worst of the others, in milliseconds with the way over loopback in them.
#![allow(clippy::print_stdout, reason = "a report")]

use std::error::Error;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

const PATHS: [&str; 19] = [
    "/chart/year.svg?year=2026",
    "/",
    "/night",
    "/exposure",
    "/pole",
    "/frames",
    "/picture",
    "/settings",
    "/assets/app.js",
    "/chart/strip.svg?look=day",
    "/chart/view.svg?look=day&focal=24",
    "/chart/view.json?look=day&focal=24",
    "/chart/year.svg?look=red&year=2026",
    "/chart/year.svg?look=day&year=2027",
    "/chart/sight.svg?look=day",
    "/chart/ladder.svg?from=90s%20f%2F2.8%20ISO1600&longest=16min&lowest-iso=100&narrowest=8",
    "/chart/signal.svg?sky=21.5&f-number=2.8&pitch=4.3&qe=0.5&transmission=0.8&read-noise=2&total=60min",
    "/chart/trail.svg?lat=46.5&focal=24&pitch=4.3&exposure=90s&dec=0&ha=0",
    "/chart/view.svg?look=day&focal=24&aim=AIM,20",
];
const AGAIN: usize = 9;

fn main() -> Result<(), Box<dyn Error>> {
    let folder = std::env::args().nth(1).ok_or("name an outing's folder")?;
    let here = std::env::current_exe()?;
    let program = here
        .parent()
        .and_then(|p| p.parent())
        .ok_or("no program beside this one")?
        .join("nightloom");
    let port = TcpListener::bind("127.0.0.1:0")?.local_addr()?.port();
    let mut served = Command::new(program)
        .args(["serve", "--no-browser", "--port", &port.to_string()])
        .arg(&folder)
        .stdout(Stdio::piped())
        .spawn()?;
    while TcpStream::connect(("127.0.0.1", port)).is_err() {
        std::thread::sleep(Duration::from_millis(5));
    }
    let mut first = String::new();
    BufReader::new(served.stdout.take().ok_or("no output")?).read_line(&mut first)?;
    let key = first.split("token=").nth(1).and_then(|k| k.split(' ').next());
    let told = report(port, key.ok_or("no key in the address")?);
    served.kill()?;
    served.wait()?;
    told
}

fn report(port: u16, key: &str) -> Result<(), Box<dyn Error>> {
    let let_in = asked(port, &format!("/?token={key}"), "")?;
    let cookie = let_in.lines().find_map(|l| l.strip_prefix("set-cookie: "));
    let cookie = cookie.and_then(|c| c.split(';').next()).ok_or("not let in")?;
    println!(
        "{:>8}{:>8}{:>8}{:>9}  address",
        "first", "median", "worst", "bytes"
    );
    for path in PATHS {
        let (first, bytes) = timed(port, &path.replace("AIM", "180"), cookie)?;
        let again: Result<Vec<f64>, _> = (0..AGAIN)
            .map(|n| timed(port, &path.replace("AIM", &(181 + n).to_string()), cookie).map(|t| t.0))
            .collect();
        let mut again = again?;
        again.sort_by(f64::total_cmp);
        println!(
            "{first:>8.1}{:>8.1}{:>8.1}{bytes:>9}  {path}",
            again[AGAIN / 2],
            again[AGAIN - 1]
        );
    }
    Ok(())
}

/// Milliseconds and bytes of one answer.
fn timed(port: u16, path: &str, cookie: &str) -> Result<(f64, usize), Box<dyn Error>> {
    let began = Instant::now();
    let all = asked(port, path, cookie)?;
    let took = began.elapsed().as_secs_f64() * 1e3;
    if !all.starts_with("HTTP/1.1 200") {
        return Err(format!("{path}: {all}").into());
    }
    Ok((took, all.len()))
}

/// One whole answer.
fn asked(port: u16, path: &str, cookie: &str) -> Result<String, Box<dyn Error>> {
    let mut stream = TcpStream::connect(("127.0.0.1", port))?;
    write!(
        stream,
        "GET {path} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nCookie: {cookie}\r\nConnection: close\r\n\r\n"
    )?;
    let mut all = Vec::new();
    stream.read_to_end(&mut all)?;
    Ok(String::from_utf8_lossy(&all).into_owned())
}
