//! The wall between the program and its decoders: a file is decoded in a process of its own, with
//! bounded memory and time, because a damaged file can make a decoder panic, abort, loop, or ask
//! for terabytes. Whatever happens there becomes an error about that file here.

use crate::decode::{self, Coded, Header, Samples};
use crate::system::{self, End};
use crate::{DecodeError, DecodeOptions, Frame, FrameMeta, Limits};
use std::io::{Read, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitCode, ExitStatus, Stdio};
use std::sync::mpsc::{self, RecvTimeoutError};
use std::time::{Duration, Instant};

/// How often a waiting parent asks whether it was told to stop.
const POLL: Duration = Duration::from_millis(50);
/// How long a child that broke off may take to end.
const GRACE: Duration = Duration::from_millis(500);
/// A header is some hundred bytes; anything near this is not one.
const MAX_HEADER: usize = 1 << 20;
/// The child's exit status where the system gives less memory than a decoder needs to begin.
const NO_MEMORY: i32 = 3;
const FRAME: &[u8; 4] = b"NLf1";
const META: &[u8; 4] = b"NLm1";
const ERROR: &[u8; 4] = b"NLe1";

/// Decodes files in processes of their own.
///
/// The process is `program args… REQUEST FILE`; it must call [`child_main`], which reads its last
/// two arguments, writes to its standard output and ends. The program's own file with a hidden
/// argument is meant.
#[derive(Clone, Debug)]
pub struct Wall {
    /// The program to run, usually `std::env::current_exe()`.
    pub program: PathBuf,
    /// Arguments that make it call [`child_main`].
    pub args: Vec<String>,
    /// What one file may cost.
    pub limits: Limits,
}

#[derive(serde::Serialize, serde::Deserialize)]
struct Request {
    what: What,
    options: DecodeOptions,
    limits: Limits,
}

#[derive(Clone, Copy, serde::Serialize, serde::Deserialize)]
enum What {
    Frame,
    Meta,
    /// Without the raw decoder, whose reading of maker notes may have been what failed.
    PlainMeta,
}

enum Answer {
    Frame(Box<Coded>),
    Meta(Box<FrameMeta>),
    Failed(DecodeError),
}

impl Wall {
    /// The frame in a file.
    ///
    /// # Errors
    /// Any [`DecodeError`]; a decoder that dies, hangs or exceeds its memory among them.
    pub fn decode(&self, path: &Path, options: &DecodeOptions) -> Result<Frame, DecodeError> {
        self.decode_unless(path, options, &|| false)
    }

    /// As [`Wall::decode`]; gives up within 0.1 s once `cancelled` says so.
    ///
    /// # Errors
    /// As [`Wall::decode`], and [`DecodeError::Cancelled`].
    pub fn decode_unless(
        &self,
        path: &Path,
        options: &DecodeOptions,
        cancelled: &dyn Fn() -> bool,
    ) -> Result<Frame, DecodeError> {
        match self.ask(path, options, What::Frame, cancelled)? {
            Answer::Frame(coded) => Ok(coded.into_frame()),
            Answer::Meta(_) => Err(died(path, "it answered another question")),
            Answer::Failed(error) => Err(error),
        }
    }

    /// What the file says of the exposure, without its pixels.
    ///
    /// # Errors
    /// Any [`DecodeError`].
    pub fn meta(&self, path: &Path) -> Result<FrameMeta, DecodeError> {
        match self.ask_meta(path, What::Meta) {
            Err(DecodeError::Died { .. } | DecodeError::TimedOut { .. }) => {
                self.ask_meta(path, What::PlainMeta)
            }
            other => other,
        }
    }

    fn ask_meta(&self, path: &Path, what: What) -> Result<FrameMeta, DecodeError> {
        match self.ask(path, &DecodeOptions::default(), what, &|| false)? {
            Answer::Meta(meta) => Ok(*meta),
            Answer::Frame(_) => Err(died(path, "it answered another question")),
            Answer::Failed(error) => Err(error),
        }
    }

    fn ask(
        &self,
        path: &Path,
        options: &DecodeOptions,
        what: What,
        cancelled: &dyn Fn() -> bool,
    ) -> Result<Answer, DecodeError> {
        let request = Request {
            what,
            options: *options,
            limits: self.limits,
        };
        let mut child = self.start(path, &request)?;
        let (Some(mut pipe), Some(said)) = (child.stdout.take(), child.stderr.take()) else {
            return Err(died(path, "it had no output"));
        };
        let (tell, told) = mpsc::sync_channel(1);
        std::thread::spawn(move || {
            // Whoever asked may have gone.
            let _ = tell.send(first_words(said));
        });
        let (limits, asked) = (self.limits, path.to_owned());
        let (sender, receiver) = mpsc::sync_channel(1);
        let reader = std::thread::spawn(move || {
            // The receiver may have given up; then nobody wants the answer.
            let _ = sender.send(read_answer(&asked, &mut pipe, &limits));
        });
        let outcome = wait(path, &self.limits, &receiver, cancelled);
        let status = end(&mut child, matches!(outcome, Ok(None)));
        // The pipe is closed now, so the reader ends at once.
        let _ = reader.join();
        // Not waited for longer: something that outlives the child may hold the pipe.
        let said = told.recv_timeout(GRACE).unwrap_or_default();
        match outcome? {
            Some(answer) => Ok(answer),
            None => Err(broke_off(path, &self.limits, status, &said)),
        }
    }

    fn start(&self, path: &Path, request: &Request) -> Result<Child, DecodeError> {
        let no_wall = |why: String| DecodeError::NoWall {
            file: decode::name(path),
            program: self.program.display().to_string(),
            why,
        };
        let request = serde_json::to_string(request).map_err(|e| no_wall(e.to_string()))?;
        let mut command = Command::new(&self.program);
        command.args(&self.args).arg(request).arg(path);
        command
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped());
        system::set_apart(&mut command);
        command.spawn().map_err(|e| no_wall(e.to_string()))
    }
}

/// Ends the child. One that broke off by itself gets a moment to say how; none may outlive this.
fn end(child: &mut Child, broke_off: bool) -> std::io::Result<ExitStatus> {
    let start = Instant::now();
    while broke_off && start.elapsed() < GRACE {
        if let Some(status) = child.try_wait()? {
            return Ok(status);
        }
        std::thread::sleep(Duration::from_millis(2));
    }
    // Already gone is as good as killed.
    let _ = child.kill();
    child.wait()
}

fn died(path: &Path, how: &str) -> DecodeError {
    DecodeError::Died {
        file: decode::name(path),
        how: how.to_string(),
    }
}

/// What a child said last: Rust's own words on memory that cannot be had, and nothing that is shown to a person.
fn first_words(said: impl Read) -> String {
    let mut words = Vec::new();
    let mut said = said.take(4096);
    // What cannot be read is not known.
    let _ = said.read_to_end(&mut words);
    // The rest goes nowhere, so that no child waits for a reader.
    let _ = std::io::copy(&mut said.into_inner(), &mut std::io::sink());
    String::from_utf8_lossy(&words).into_owned()
}

/// Why a child ended without an answer: its memory, its time, somebody else, or the file.
fn broke_off(path: &Path, limits: &Limits, status: std::io::Result<ExitStatus>, said: &str) -> DecodeError {
    let status = match status {
        Ok(status) => status,
        Err(error) => return died(path, &error.to_string()),
    };
    let file = decode::name(path);
    if said.contains("memory allocation of") || status.code() == Some(NO_MEMORY) {
        return DecodeError::OutOfMemory { file };
    }
    match system::end(status) {
        End::OutOfTime => DecodeError::TimedOut {
            file,
            seconds: limits.max_seconds,
        },
        End::FromOutside(_) => DecodeError::Killed {
            file,
            how: describe(status),
        },
        End::Signal(_) | End::Status(_) => died(path, &describe(status)),
    }
}

fn describe(status: ExitStatus) -> String {
    match system::end(status) {
        End::OutOfTime => "ended because its time was used up".into(),
        End::FromOutside(signal) | End::Signal(signal) => format!("ended by signal {signal}"),
        End::Status(Some(0)) => "its answer was cut short".into(),
        End::Status(Some(code)) => format!("ended with status {code}"),
        End::Status(None) => "ended without a status".into(),
    }
}

/// Waits for the answer; `None` if the child ended without a whole one.
fn wait(
    path: &Path,
    limits: &Limits,
    receiver: &mpsc::Receiver<Option<Answer>>,
    cancelled: &dyn Fn() -> bool,
) -> Result<Option<Answer>, DecodeError> {
    let start = Instant::now();
    loop {
        match receiver.recv_timeout(POLL) {
            Ok(answer) => return Ok(answer),
            Err(RecvTimeoutError::Disconnected) => return Ok(None),
            Err(RecvTimeoutError::Timeout) => {}
        }
        if cancelled() {
            return Err(DecodeError::Cancelled {
                file: decode::name(path),
            });
        }
        if start.elapsed().as_secs_f64() > limits.max_seconds {
            return Err(DecodeError::TimedOut {
                file: decode::name(path),
                seconds: limits.max_seconds,
            });
        }
    }
}

/// Reads one answer, taking no more memory than the limits allow. `None` if it is not whole.
fn read_answer(path: &Path, pipe: &mut impl Read, limits: &Limits) -> Option<Answer> {
    let mut head = [0u8; 8];
    pipe.read_exact(&mut head).ok()?;
    let length = u32::from_le_bytes([head[4], head[5], head[6], head[7]]) as usize;
    if length > MAX_HEADER {
        return None;
    }
    let mut json = vec![0; length];
    pipe.read_exact(&mut json).ok()?;
    match &head[..4] {
        m if m == META => Some(Answer::Meta(serde_json::from_slice(&json).ok()?)),
        m if m == ERROR => Some(Answer::Failed(serde_json::from_slice(&json).ok()?)),
        m if m == FRAME => {
            let header: Header = serde_json::from_slice(&json).ok()?;
            if !header.is_whole() {
                return None;
            }
            let (w, h) = (header.width as u64, header.height as u64);
            let per_pixel = (header.channels.count() * header.depth.bytes()) as u64;
            if let Err(error) = decode::check_size(path, w, h, per_pixel, limits) {
                return Some(Answer::Failed(error));
            }
            let mut samples = Samples::zeroed(header.depth, header.samples()?);
            pipe.read_exact(samples.as_bytes_mut()).ok()?;
            Some(Answer::Frame(Box::new(Coded { header, samples })))
        }
        _ => None,
    }
}

/// What the decoding process does, and all it does: bounds itself, decodes the file named by its
/// last argument as the one before says, writes the answer to its standard output.
pub fn child_main() -> ExitCode {
    let mut arguments = std::env::args_os().rev();
    let path = arguments.next().map(PathBuf::from);
    let request = arguments
        .next()
        .and_then(|r| serde_json::from_str::<Request>(r.to_str()?).ok());
    let (Some(path), Some(request)) = (path, request) else {
        return ExitCode::from(2);
    };
    if system::bound(&request.limits).is_err() {
        return ExitCode::from(NO_MEMORY as u8);
    }
    std::panic::set_hook(Box::new(|_| {}));
    let answer = std::panic::catch_unwind(|| answer(&path, &request))
        .unwrap_or_else(|panic| Answer::Failed(DecodeError::damaged(&path, panic_text(&*panic))));
    match send(&answer) {
        Ok(()) => ExitCode::SUCCESS,
        Err(_) => ExitCode::from(4),
    }
}

fn panic_text(panic: &(dyn std::any::Any + Send)) -> String {
    let text = panic.downcast_ref::<String>().cloned();
    let text = text.or_else(|| panic.downcast_ref::<&str>().map(ToString::to_string));
    format!(
        "its decoder gave up over it ({})",
        text.unwrap_or_else(|| "no reason given".into())
    )
}

fn answer(path: &Path, request: &Request) -> Answer {
    let answer = match request.what {
        What::Frame => crate::damage::decode_sound(path, &request.options, &request.limits)
            .map(|coded| Answer::Frame(Box::new(coded))),
        What::Meta => decode::read_meta(path).map(|meta| Answer::Meta(Box::new(meta))),
        What::PlainMeta => decode::read_plain_meta(path).map(|meta| Answer::Meta(Box::new(meta))),
    };
    answer.unwrap_or_else(Answer::Failed)
}

fn send(answer: &Answer) -> std::io::Result<()> {
    let (magic, json, body): (_, _, &[u8]) = match answer {
        Answer::Frame(coded) => (
            FRAME,
            serde_json::to_vec(&coded.header)?,
            coded.samples.as_bytes(),
        ),
        Answer::Meta(meta) => (META, serde_json::to_vec(meta)?, &[]),
        Answer::Failed(error) => (ERROR, serde_json::to_vec(error)?, &[]),
    };
    let length = u32::try_from(json.len()).map_err(std::io::Error::other)?;
    let mut out = std::io::stdout().lock();
    out.write_all(magic)?;
    out.write_all(&length.to_le_bytes())?;
    out.write_all(&json)?;
    out.write_all(body)?;
    out.flush()
}
