//! Frames as they land: which files are whole, which are tried again, what each tells of the night's course.
//!
//! [`Watcher`] is fed with listings of a folder and says which files to check; it sleeps and reads nothing
//! itself, so the command line, the local pages and the tests drive it alike.

mod listing;
mod pending;

use std::path::PathBuf;

use crate::cause::Cause;
use nightloom_fit::quantile;

use crate::check::{FrameCheck, Trends, judge_together, tell_focus, trends};

pub use listing::{Listed, list};
use pending::Pending;

/// How frames are watched for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WatchSettings {
    /// Whether a file must keep its size and time over two listings before it is read.
    pub settle: bool,
    /// Times a file that cannot be read is tried before it is given up.
    pub tries: u32,
    /// Seconds before the second try; each further wait is twice as long.
    pub wait_s: f64,
}

impl Default for WatchSettings {
    fn default() -> Self {
        Self {
            settle: true,
            tries: 6,
            wait_s: 1.0,
        }
    }
}

impl WatchSettings {
    /// Checks what is there now and waits for nothing.
    pub const ONCE: Self = Self {
        settle: false,
        tries: 1,
        wait_s: 0.0,
    };
}

/// One frame checked, and the night's course up to it.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct WatchEvent {
    /// The frame.
    #[serde(flatten)]
    pub check: FrameCheck,
    /// The course so far.
    pub trends: Trends,
    /// What has just broken, a short sentence; `None` where nothing is new.
    pub alarm: Option<String>,
    /// Frames before it of which this one shows something else than was told: a cloud that has passed, the odd one of a set.
    pub again: Vec<FrameCheck>,
}

/// Follows one folder.
#[derive(Debug, Default)]
pub struct Watcher {
    settings: WatchSettings,
    pending: Pending,
    /// Each frame as it was judged by itself.
    checks: Vec<(PathBuf, FrameCheck)>,
    /// The same judged together.
    judged: Vec<FrameCheck>,
    /// The trouble that was last told, so that it is told once.
    trouble: Option<String>,
}

/// Likelihood from which a cause counts as broken.
const SURE: f64 = 0.5;
/// Frames remembered for the course.
const REMEMBERED: usize = 500;

impl Watcher {
    /// A watcher that has seen nothing yet.
    pub fn new(settings: WatchSettings) -> Self {
        Self {
            settings,
            ..Self::default()
        }
    }

    /// Takes in what the folder holds at `now_s` (seconds of any clock that does not go back) and gives the
    /// files to be checked, in order of name. Each must be answered with [`Watcher::tried`].
    pub fn look(&mut self, listing: &[Listed], now_s: f64) -> Vec<PathBuf> {
        self.pending.look(listing, now_s, &self.settings)
    }

    /// Takes in how the check of a file went. A file that could not be read is tried again later, until it
    /// is given up and told as unreadable.
    pub fn tried(&mut self, path: &PathBuf, check: FrameCheck, now_s: f64) -> Option<WatchEvent> {
        if check.error.is_some() && self.pending.failed(path, now_s, &self.settings) {
            return None;
        }
        self.pending.done(path);
        self.checks.retain(|(p, _)| p != path);
        let sharp = self.sharp_px();
        self.checks.push((path.clone(), check));
        if self.checks.len() > REMEMBERED {
            self.checks.remove(0);
        }
        let mut course: Vec<FrameCheck> = self.checks.iter().map(|c| c.1.clone()).collect();
        judge_together(&mut course);
        let (last, before) = course.split_last_mut()?;
        tell_focus(last, before.iter(), sharp);
        let check = last.clone();
        let again = self.otherwise(before);
        let trends = trends(&course);
        self.judged = course;
        let trouble = trouble(&check, &trends);
        let alarm = trouble
            .clone()
            .filter(|t| self.trouble.as_deref() != Some(key(t)));
        self.trouble = trouble.map(|t| key(&t).to_owned());
        Some(WatchEvent {
            check,
            trends,
            alarm,
            again,
        })
    }

    /// Those of the frames told before whose chief cause is now another.
    fn otherwise(&self, now: &[FrameCheck]) -> Vec<FrameCheck> {
        let told = |check: &&FrameCheck| {
            let before = self.judged.iter().find(|b| b.frame == check.frame);
            before.is_some_and(|b| b.first() != check.first())
        };
        now.iter().filter(told).cloned().collect()
    }

    /// Width of the sharpest stars seen so far, pixels: what this lens can do tonight.
    pub fn sharp_px(&self) -> Option<f64> {
        let mut widths: Vec<f64> = self
            .checks
            .iter()
            .map(|c| &c.1)
            .filter(|c| c.measured && c.fwhm_px > 0.0 && c.stars >= 20)
            .map(|c| c.fwhm_px)
            .collect();
        // Not the very sharpest: noise makes one of many too sharp.
        quantile(&mut widths, 0.25).filter(|_| widths.len() >= 3)
    }

    /// Frames checked so far, oldest first, judged together.
    pub fn checks(&self) -> impl Iterator<Item = &FrameCheck> {
        self.judged.iter()
    }
}

/// The first words of a trouble: the same trouble with other figures is not told again.
fn key(trouble: &str) -> &str {
    trouble.split(':').next().unwrap_or(trouble)
}

fn trouble(check: &FrameCheck, trends: &Trends) -> Option<String> {
    if let Some(error) = &check.error {
        return Some(format!("unreadable: {error}"));
    }
    let first = check.causes.first()?;
    if !matches!(first.cause, Cause::Good | Cause::CannotTell) && first.likelihood >= SURE {
        return Some(format!("{}: {}", first.cause, first.figure));
    }
    trends.worst().map(|t| format!("{}: {}", t.what, t.figure))
}
