//! `nightloom watch`.

use std::path::PathBuf;
use std::time::Duration;

use clap::Args;
use nightloom_frames::{Cause, FrameCheck, WatchEvent, WatchSettings, Watcher, check_or_tell, list};
use nightloom_outing::World;
use serde_json::{Value, json};

use crate::check::{CheckLens, course_lines, verdict};
use crate::context::Context;
use crate::door::Door;
use crate::failure::Failure;
use crate::out;

/// How often Ctrl-C is looked at between two looks into the folder.
const HEED: Duration = Duration::from_millis(100);

/// `nightloom watch`.
///
/// The frames are only read. Under --json one object per frame and line goes to standard output.
#[derive(Args, Debug)]
pub(crate) struct WatchArgs {
    /// The folder that frames land in.
    folder: PathBuf,
    /// Check what is there, then end.
    #[arg(long)]
    once: bool,
    /// Seconds between two looks into the folder.
    #[arg(long, value_name = "S", default_value_t = 1.0)]
    every: f64,
    /// Ring no bell.
    #[arg(long)]
    quiet: bool,
    /// Red on black, to spare the eyes.
    #[arg(long)]
    red: bool,
    #[command(flatten)]
    lens: CheckLens,
}

pub(crate) fn run(args: &WatchArgs, context: &Context) -> Result<Value, Failure> {
    let mut options = args.lens.options()?;
    let (told, door) = (options.sharp_px, &*context.door);
    let settings = if args.once {
        WatchSettings::ONCE
    } else {
        WatchSettings::default()
    };
    let mut watcher = Watcher::new(settings);
    let paint = Paint {
        red: args.red,
        quiet: args.quiet,
        json: context.json,
    };
    if !args.once {
        paint.line(&format!(
            "Watching {}; Ctrl-C ends it. No frame is touched.",
            args.folder.display()
        ));
    }
    loop {
        // The folder may be away for a moment when a card is changed.
        let listing = match list(&args.folder) {
            Ok(listing) => listing,
            Err(error) if args.once || watcher.checks().next().is_none() => return Err(error.into()),
            Err(_) => Vec::new(),
        };
        for path in watcher.look(&listing, door.seconds()) {
            if door.is_cancelled() {
                break;
            }
            options.sharp_px = told.or_else(|| watcher.sharp_px());
            let check = check_or_tell(&path, &options, door)?;
            if let Some(event) = watcher.tried(&path, check, door.seconds()) {
                paint.event(&event, watcher.checks().count());
            }
        }
        if args.once || !wait(args.every, door) {
            break;
        }
    }
    door.end_of_job();
    paint.end();
    close(&watcher, args)
}

/// Waits between two looks; `false` when the work is to stop.
fn wait(seconds: f64, door: &Door) -> bool {
    let until = door.seconds() + seconds.clamp(0.1, 3600.0);
    while door.seconds() < until {
        if door.is_cancelled() {
            return false;
        }
        std::thread::sleep(HEED);
    }
    !door.is_cancelled()
}

fn close(watcher: &Watcher, args: &WatchArgs) -> Result<Value, Failure> {
    let checks: Vec<&FrameCheck> = watcher.checks().collect();
    let good = checks.iter().filter(|c| c.first() == Some(Cause::Good)).count();
    let answer = json!({ "ended": true, "frames": checks.len(), "good": good });
    if args.once && checks.is_empty() {
        return Err(Failure::no(
            answer,
            format!("{} holds no frames", args.folder.display()),
        ));
    }
    if args.once && checks.iter().all(|c| !c.measured) {
        return Err(Failure::no(
            answer,
            "nothing could be said of the stars of any frame",
        ));
    }
    Ok(answer)
}

/// What goes to the terminal.
struct Paint {
    red: bool,
    quiet: bool,
    json: bool,
}

impl Paint {
    fn line(&self, text: &str) {
        if self.json {
            return;
        }
        if self.red {
            // Red on black, to the end of the line.
            out::styled(&format!("\x1b[31;40m{}\x1b[K\x1b[0m", out::plain(text)), false);
        } else {
            out::result(text, false);
        }
    }

    fn event(&self, event: &WatchEvent, frames: usize) {
        if self.json {
            out::json_line(&out::value(event));
        } else {
            for line in verdict(&event.check) {
                self.line(&line);
            }
            for line in event.again.iter().flat_map(verdict) {
                self.line(&line);
            }
            for line in course_lines(&event.trends, frames).into_iter().skip(1) {
                self.line(&line);
            }
        }
        if let Some(alarm) = &event.alarm {
            self.line(&format!("  ! {alarm}"));
            if !self.quiet {
                out::bell();
            }
        }
    }

    fn end(&self) {
        if self.red && !self.json {
            out::styled("\x1b[0m", false);
        }
    }
}
