//! One block of the night while it is being laid.

use nightloom_sky::Instant;

use super::block::{Block, BlockKind};
use super::settings::Run;

/// One block, in seconds.
#[derive(Clone, Debug)]
pub(super) struct Piece {
    pub(super) kind: BlockKind,
    pub(super) from: f64,
    pub(super) to: f64,
    run: Option<Run>,
    pub(super) note: String,
}

impl Piece {
    pub(super) fn frames(kind: BlockKind, from: f64, run: Run, note: String) -> Self {
        Self {
            kind,
            from,
            to: from + run.length_s(),
            run: Some(run),
            note,
        }
    }

    pub(super) fn pause(kind: BlockKind, from: f64, length_s: f64, note: &str) -> Self {
        Self {
            kind,
            from,
            to: from + length_s,
            run: None,
            note: note.into(),
        }
    }

    pub(super) fn block(self, start: Instant) -> Block {
        let run = self.run;
        Block {
            kind: self.kind,
            from: start.plus_seconds(self.from),
            to: start.plus_seconds(self.to),
            count: run.map_or(0, |r| r.frames),
            exposure_s: run.map(|r| r.exposure_s),
            gap_s: run.map(|r| r.gap_s),
            interval_s: run.map(|r| r.exposure_s + r.gap_s),
            f_number: run.and_then(|r| r.f_number),
            iso: run.and_then(|r| r.iso),
            note: self.note,
        }
    }
}
