//! `nightloom watch`.

use std::path::PathBuf;
use std::time::Duration;

use clap::Args;
use nightloom_outing::{
    Cause, FrameCheck, SingleError, WatchEvent, WatchSettings, Watcher, World, check_or_tell, list,
};
use serde_json::json;

use crate::check::{CheckLens, course_lines, verdict};
use crate::cli::Common;
use crate::door::Door;
use crate::{Trouble, out};

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
    #[command(flatten)]
    pub(crate) common: Common,
}

pub(crate) fn run(args: &WatchArgs, door: &Door) -> Result<serde_json::Value, Trouble> {
    let mut options = args.lens.options().map_err(SingleError::from)?;
    let told = options.sharp_px;
    let settings = if args.once {
        WatchSettings::ONCE
    } else {
        WatchSettings::default()
    };
    let mut watcher = Watcher::new(settings);
    let paint = Paint::begin(args);
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

fn close(watcher: &Watcher, args: &WatchArgs) -> Result<serde_json::Value, Trouble> {
    let checks: Vec<&FrameCheck> = watcher.checks().collect();
    let good = checks.iter().filter(|c| c.first() == Some(Cause::Good)).count();
    let answer = json!({ "ended": true, "frames": checks.len(), "good": good });
    if args.once && checks.is_empty() {
        return Err(Trouble::No {
            json: answer,
            sentence: format!("{} holds no frames", args.folder.display()),
        });
    }
    if args.once && checks.iter().all(|c| !c.measured) {
        return Err(Trouble::No {
            json: answer,
            sentence: "nothing could be said of the stars of any frame".into(),
        });
    }
    Ok(answer)
}

/// What goes to the terminal.
struct Paint<'a> {
    args: &'a WatchArgs,
}

impl<'a> Paint<'a> {
    fn begin(args: &'a WatchArgs) -> Self {
        Self { args }
    }

    fn line(&self, text: &str) {
        if self.args.common.json {
            return;
        }
        if self.args.red {
            // Red on black, to the end of the line.
            out::result(&format!("\x1b[31;40m{text}\x1b[K\x1b[0m"), false);
        } else {
            out::result(text, false);
        }
    }

    fn event(&self, event: &WatchEvent, frames: usize) {
        if self.args.common.json {
            out::json_line(&out::value(event));
        } else {
            for line in verdict(&event.check) {
                self.line(&line);
            }
            for line in course_lines(&event.trends, frames).into_iter().skip(1) {
                self.line(&line);
            }
        }
        if let Some(alarm) = &event.alarm {
            self.line(&format!("  ! {alarm}"));
            if !self.args.quiet {
                out::bell();
            }
        }
    }

    fn end(&self) {
        if self.args.red && !self.args.common.json {
            out::result("\x1b[0m", false);
        }
    }
}
