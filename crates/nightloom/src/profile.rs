//! What each step of a build costs: `nightloom build --profile FILE`.

use std::fs;
use std::path::Path;
use std::sync::atomic::AtomicBool;
use std::sync::{Mutex, MutexGuard, PoisonError};

use nightloom_outing::{Step, World};
use nightloom_raster::{DecodeError, DecodeOptions, Frame, FrameMeta};
use nightloom_sky::Instant;
use serde::{Deserialize, Serialize};
use serde_json::json;

use crate::failure::Failure;
use crate::out;
use crate::system::{self, Spent};

/// What the file says that it is; raise it when a field changes its meaning.
const VERSION: u32 = 1;
/// What is done before the first step tells its name.
const BEGINNING: &str = "Opening the outing";

/// One step's cost.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
struct Cost {
    /// The step, as it is shown.
    step: String,
    /// Seconds by the clock.
    wall_s: f64,
    /// Processor seconds in the program, its decoders included once they ended.
    user_s: f64,
    /// Processor seconds in the system on its behalf.
    system_s: f64,
    /// Bytes that reading asked for, from the cache or the disk, and pixels of decoders.
    read_bytes: u64,
    /// The same of writing.
    written_bytes: u64,
    /// The most memory that the program alone held, MiB.
    peak_mib: f64,
}

impl Cost {
    fn between(step: &str, before: &Spent, after: &Spent) -> Self {
        Self {
            step: step.to_owned(),
            wall_s: after.wall_s - before.wall_s,
            user_s: after.user_s - before.user_s,
            system_s: after.system_s - before.system_s,
            read_bytes: after.read_bytes.saturating_sub(before.read_bytes),
            written_bytes: after.written_bytes.saturating_sub(before.written_bytes),
            peak_mib: system::own_peak_mib(),
        }
    }
}

/// The outside world, and on the way what each step costs.
pub(crate) struct Profiled<'a> {
    world: &'a dyn World,
    state: Mutex<State>,
}

struct State {
    step: String,
    first: Spent,
    before: Spent,
    costs: Vec<Cost>,
}

impl<'a> Profiled<'a> {
    /// Begins to count.
    pub(crate) fn new(world: &'a dyn World) -> Self {
        system::forget_peak();
        let now = Spent::at(world.seconds());
        Self {
            world,
            state: Mutex::new(State {
                step: BEGINNING.into(),
                first: now,
                before: now,
                costs: Vec::new(),
            }),
        }
    }

    /// Writes what was counted. A file that is there already and holds no profile is nobody's to overwrite.
    pub(crate) fn write(self, file: &Path, json: bool) -> Result<(), Failure> {
        let mut state = self.state();
        state.next(self.world.seconds(), "");
        let total = Cost {
            peak_mib: state.most_mib(),
            ..Cost::between("all", &state.first, &state.before)
        };
        let profile = json!({
            "nightloom_profile": VERSION,
            "program": env!("CARGO_PKG_VERSION"),
            "threads": rayon::current_num_threads(),
            "steps": state.costs,
            "total": total,
        });
        let bytes = serde_json::to_vec_pretty(&profile)?;
        out::write(file, &bytes, json)
    }

    fn state(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Refuses a file for a profile that holds something else.
pub(crate) fn may_hold(file: &Path) -> Result<(), Failure> {
    let Ok(about) = fs::symlink_metadata(file) else {
        return Ok(());
    };
    let is_profile = |text: String| {
        serde_json::from_str::<serde_json::Value>(&text).is_ok_and(|v| v["nightloom_profile"].is_u64())
    };
    if about.is_file() && fs::read_to_string(file).is_ok_and(is_profile) {
        return Ok(());
    }
    Err(Failure::said(format!(
        "{} is there already and is no profile; name a new file for --profile, so that nothing of yours is overwritten",
        file.display()
    )))
}

impl State {
    /// Ends the present step and begins another.
    fn next(&mut self, wall_s: f64, step: &str) {
        let now = Spent::at(wall_s);
        self.costs.push(Cost::between(&self.step, &self.before, &now));
        system::forget_peak();
        self.before = now;
        self.step = step.to_owned();
    }

    fn most_mib(&self) -> f64 {
        self.costs.iter().map(|c| c.peak_mib).fold(0.0, f64::max)
    }
}

impl World for Profiled<'_> {
    fn now(&self) -> Instant {
        self.world.now()
    }
    fn seconds(&self) -> f64 {
        self.world.seconds()
    }
    fn progress(&self, step: &Step<'_>) {
        let mut state = self.state();
        if state.step != step.stage {
            state.next(self.world.seconds(), step.stage);
        }
        drop(state);
        self.world.progress(step);
    }
    fn note(&self, line: &str) {
        self.world.note(line);
    }
    fn cancelled(&self) -> &AtomicBool {
        self.world.cancelled()
    }
    fn decode(&self, path: &Path, options: &DecodeOptions) -> Result<Frame, DecodeError> {
        self.world.decode(path, options)
    }
    fn meta(&self, path: &Path) -> Result<FrameMeta, DecodeError> {
        self.world.meta(path)
    }
    fn peak_memory_mib(&self) -> f64 {
        // The system's own figure is begun anew with each step.
        let before = self.state().most_mib();
        let beside = self.world.peak_memory_mib() - system::own_peak_mib();
        before.max(system::own_peak_mib()) + beside
    }
    fn memory_mib(&self) -> Option<u64> {
        self.world.memory_mib()
    }
}
