//! Which files are whole, waiting, failed or done.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::time::Duration;

use super::{Listed, WatchSettings};

/// The longest wait before another try, seconds.
const LONGEST_WAIT_S: f64 = 60.0;

#[derive(Clone, Copy, Debug, PartialEq)]
enum State {
    /// Seen with this size and time; not yet known to be whole.
    Growing,
    /// Given out to be checked.
    Out,
    /// Could not be read; to be tried again then.
    Failed { until_s: f64 },
    /// Checked, or given up.
    Done,
}

#[derive(Clone, Copy, Debug)]
struct File {
    bytes: u64,
    modified: Option<Duration>,
    state: State,
    tries: u32,
}

/// All files of the folder.
#[derive(Debug, Default)]
pub(super) struct Pending {
    files: BTreeMap<PathBuf, File>,
}

impl Pending {
    pub(super) fn look(&mut self, listing: &[Listed], now_s: f64, settings: &WatchSettings) -> Vec<PathBuf> {
        self.files
            .retain(|path, _| listing.iter().any(|l| l.path == *path));
        let mut out = Vec::new();
        for listed in listing {
            if self.ready(listed, now_s, settings) {
                out.push(listed.path.clone());
            }
        }
        out.sort();
        out
    }

    fn ready(&mut self, listed: &Listed, now_s: f64, settings: &WatchSettings) -> bool {
        let fresh = File {
            bytes: listed.bytes,
            modified: listed.modified,
            state: State::Growing,
            tries: 0,
        };
        let known = self.files.get(&listed.path).copied();
        let unchanged = known.filter(|k| k.bytes == listed.bytes && k.modified == listed.modified);
        let mut file = unchanged.unwrap_or(fresh);
        // A file that has only just come, or has changed, is looked at once more before it is read.
        let settled = (unchanged.is_some() || !settings.settle) && listed.bytes > 0;
        let go = match file.state {
            State::Growing => settled,
            State::Failed { until_s } => now_s >= until_s,
            State::Out | State::Done => false,
        };
        if go {
            file.state = State::Out;
        }
        self.files.insert(listed.path.clone(), file);
        go
    }

    /// Notes a failure; whether the file will be tried again.
    pub(super) fn failed(&mut self, path: &PathBuf, now_s: f64, settings: &WatchSettings) -> bool {
        let Some(file) = self.files.get_mut(path) else {
            // Gone meanwhile: nothing to tell.
            return true;
        };
        file.tries += 1;
        if file.tries >= settings.tries {
            return false;
        }
        let wait = (settings.wait_s * 2f64.powi(file.tries as i32 - 1)).min(LONGEST_WAIT_S);
        file.state = State::Failed {
            until_s: now_s + wait,
        };
        true
    }

    pub(super) fn done(&mut self, path: &PathBuf) {
        if let Some(file) = self.files.get_mut(path) {
            file.state = State::Done;
        }
    }
}
