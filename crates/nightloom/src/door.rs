//! The outside world as the pipeline sees it: clock, walled decoders, progress, Ctrl-C.

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time;

use nightloom_outing::{Step, World};
use nightloom_raster::{DecodeError, DecodeOptions, Frame, FrameMeta, Limits, Wall};
use nightloom_sky::Instant;

use crate::failure::Failure;
use crate::show::Show;
use crate::{out, system};

/// The hidden first argument that makes this program a decoder and nothing else.
pub(crate) const DECODE_CHILD: &str = "decode-child";
/// The smallest address space that a decoder can start in, MiB.
const LEAST_DECODER_MIB: u64 = 1024;

/// How long the work may take to stop by itself.
const HEED_WITHIN: time::Duration = time::Duration::from_millis(800);

/// The one [`World`] of this program.
pub(crate) struct Door {
    started: time::Instant,
    wall: Wall,
    stop: Arc<AtomicBool>,
    show: Show,
    memory_mib: Option<u64>,
}

impl Door {
    /// Sets up the decoders' wall and takes over Ctrl-C.
    pub(crate) fn open(json: bool, memory_mib: Option<u64>) -> Result<Self, Failure> {
        let program = std::env::current_exe().map_err(|e| {
            cannot_start(
                "the program cannot find its own file, which it decodes frames with",
                &e,
            )
        })?;
        let mut limits = Limits::default();
        if let Some(mib) = memory_mib {
            let bytes = mib.max(LEAST_DECODER_MIB) << 20;
            limits.max_memory_bytes = limits.max_memory_bytes.min(bytes);
            limits.max_working_bytes = bytes;
        }
        let stop = watch_ctrl_c(json)?;
        let wall = Wall {
            program,
            args: vec![DECODE_CHILD.into()],
            limits,
        };
        Ok(Self {
            started: time::Instant::now(),
            wall,
            stop,
            show: Show::new(),
            memory_mib,
        })
    }

    /// Ends what is shown of the present job, so that results stand on clean lines.
    pub(crate) fn end_of_job(&self) {
        self.show.end();
    }

    /// Decodes one file unless `stop` or Ctrl-C says to stop.
    pub(crate) fn decode_unless(
        &self,
        path: &Path,
        options: &DecodeOptions,
        stop: &AtomicBool,
    ) -> Result<Frame, DecodeError> {
        let stopped = || self.is_cancelled() || stop.load(Ordering::Relaxed);
        self.wall.decode_unless(path, options, &stopped)
    }

    /// Begins another job whose time left is estimated anew.
    pub(crate) fn new_job(&self) {
        self.show.begin();
    }
}

fn cannot_start(what: &str, reason: &dyn std::error::Error) -> Failure {
    Failure::said(format!(
        "{what} ({reason}); start it from an ordinary installed file"
    ))
}

/// Sets a flag on Ctrl-C, and ends the process where the work does not heed it in time.
///
/// Ending outright loses nothing: results are renamed into place when whole, and a finished step is
/// in the journal.
fn watch_ctrl_c(json: bool) -> Result<Arc<AtomicBool>, Failure> {
    let stop = Arc::new(AtomicBool::new(false));
    let flag = Arc::clone(&stop);
    ctrlc::set_handler(move || {
        // Asked twice, the person means now.
        if flag.swap(true, Ordering::SeqCst) {
            std::process::exit(2);
        }
        out::say("Stopping; press Ctrl-C again to stop at once.");
        std::thread::spawn(move || {
            std::thread::sleep(HEED_WITHIN);
            if out::claim_answer() {
                let what =
                    "stopped on request; what was finished is kept, and the same command goes on from there";
                if json {
                    out::json(&serde_json::json!({ "error": what }));
                }
                out::say(&format!("nightloom: {what}"));
                std::process::exit(2);
            }
        });
    })
    .map_err(|e| cannot_start("Ctrl-C cannot be taken over", &e))?;
    Ok(stop)
}

impl World for Door {
    fn now(&self) -> Instant {
        Instant::from_timestamp(jiff::Timestamp::now())
    }
    fn seconds(&self) -> f64 {
        self.started.elapsed().as_secs_f64()
    }
    fn progress(&self, step: &Step<'_>) {
        self.show.progress(step);
    }
    fn note(&self, line: &str) {
        self.show.note(line);
    }
    fn cancelled(&self) -> &AtomicBool {
        &self.stop
    }
    fn decode(&self, path: &Path, options: &DecodeOptions) -> Result<Frame, DecodeError> {
        self.wall.decode_unless(path, options, &|| self.is_cancelled())
    }
    fn meta(&self, path: &Path) -> Result<FrameMeta, DecodeError> {
        self.wall.meta(path)
    }
    fn peak_memory_mib(&self) -> f64 {
        system::peak_mib()
    }
    fn memory_mib(&self) -> Option<u64> {
        self.memory_mib
    }
}
