//! Equivalents of the plan's exposures, both ways from them.

use nightloom_optics::{Exposure, LadderLimits, Rung, Setting, StopsError, ladder};
use serde::Serialize;

use crate::shots::{Block, BlockKind, ShotSettings};

/// Whole stops of time.
const STEP_THIRDS: i32 = 3;
/// How far cameras and patience usually go (common practice, no source).
const LONGEST_S: f64 = 600.0;
const SHORTEST_S: f64 = 4.0;
const HIGHEST_ISO: f64 = 12_800.0;
const LOWEST_ISO: f64 = 100.0;
/// Stops that the aperture may be closed further by.
const NARROWER_STOPS: f64 = 2.0;

/// The ladder of one kind of frames, from short to long times.
#[derive(Clone, Debug, Serialize)]
pub struct LadderOf {
    /// Of which.
    pub kind: BlockKind,
    /// The same, in words.
    pub words: &'static str,
    /// Its rungs.
    pub rungs: Vec<Rung>,
}

/// A ladder for sky and land frames each, where time, aperture and ISO are known.
pub(super) fn of(settings: &ShotSettings, blocks: &[Block]) -> Result<Vec<LadderOf>, StopsError> {
    let mut found = Vec::new();
    for kind in [BlockKind::Sky, BlockKind::Land] {
        // The list knows the time that the light gave; what has no frames there has its settings at least.
        let run = if kind == BlockKind::Sky {
            settings.sky
        } else {
            settings.land
        };
        let block = blocks.iter().find(|b| b.kind == kind);
        let of_block = block.and_then(|b| exposure(b.exposure_s?, b.f_number, b.iso));
        if let Some(plan) = of_block.or_else(|| exposure(run.exposure_s, run.f_number, run.iso)) {
            found.push(LadderOf {
                kind,
                words: kind.words(),
                rungs: both_ways(&plan)?,
            });
        }
    }
    Ok(found)
}

fn exposure(seconds: f64, f_number: Option<f64>, iso: Option<f64>) -> Option<Exposure> {
    Some(Exposure {
        seconds,
        f_number: f_number?,
        iso: iso?,
    })
}

fn both_ways(plan: &Exposure) -> Result<Vec<Rung>, StopsError> {
    let narrowest = Setting::Aperture.brighter_marked(plan.f_number, -NARROWER_STOPS);
    let limits = LadderLimits {
        longest_s: Some(LONGEST_S.max(plan.seconds)),
        shortest_s: Some(SHORTEST_S.min(plan.seconds)),
        highest_iso: Some(HIGHEST_ISO.max(plan.iso)),
        lowest_iso: Some(LOWEST_ISO.min(plan.iso)),
        widest: Some(plan.f_number),
        narrowest: Some(narrowest.max(plan.f_number)),
    };
    let rungs = |step| ladder(plan, step, &limits);
    let mut all = rungs(-STEP_THIRDS)?.rungs;
    all.reverse();
    all.extend(rungs(STEP_THIRDS)?.rungs.into_iter().skip(1));
    Ok(all)
}
