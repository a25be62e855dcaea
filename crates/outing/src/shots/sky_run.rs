//! The sky frames with their nudges and re-checks.

use super::block::BlockKind;
use super::piece::Piece;
use super::settings::{Run, ShotSettings};

const RECHECK: &str = "focus on a star, axis on the pole, dew on the glass, battery";
const NUDGE: &str = "by hand, some twenty pixels, another way each time";

/// The sky frames from `start`, seconds: groups of frames with a nudge after every so many and a re-check before the
/// frame at whose end more than the interval would have gone by. Nothing follows the last frame.
pub(super) fn sky_run(settings: &ShotSettings, start: f64) -> Vec<Piece> {
    let sky = &settings.sky;
    let mut pieces = Vec::new();
    let (mut at, mut checked, mut left) = (start, start, sky.frames);
    while left > 0 {
        let frames = left.min(group(settings, sky.frames - left, at - checked));
        let run = sky.with_frames(frames);
        pieces.push(Piece::frames(BlockKind::Sky, at, run, tracked(&run)));
        at += run.length_s();
        left -= frames;
        if left == 0 {
            break;
        }
        if nudge_due(settings, sky.frames - left) {
            pieces.push(Piece::pause(BlockKind::Nudge, at, settings.nudge_s, NUDGE));
            at += settings.nudge_s;
        }
        if recheck_due(settings, at - checked) {
            pieces.push(Piece::pause(BlockKind::Recheck, at, settings.recheck_s, RECHECK));
            at += settings.recheck_s;
            checked = at;
        }
    }
    pieces
}

/// How many frames until the next pause, at least one.
fn group(settings: &ShotSettings, taken: u32, since_check_s: f64) -> u32 {
    let sky = &settings.sky;
    let mut frames = u32::MAX;
    if settings.nudge_every > 0 {
        frames = settings.nudge_every - taken % settings.nudge_every;
    }
    if settings.recheck_every_s > 0.0 {
        let room = settings.recheck_every_s - since_check_s + sky.gap_s;
        // A saturating cast: a long interval has room for all.
        frames = frames.min((room / (sky.exposure_s + sky.gap_s) + 1e-9).floor() as u32);
    }
    frames.max(1)
}

fn nudge_due(settings: &ShotSettings, taken: u32) -> bool {
    settings.nudge_every > 0 && taken.is_multiple_of(settings.nudge_every)
}

fn recheck_due(settings: &ShotSettings, since_check_s: f64) -> bool {
    let next = settings.sky.exposure_s;
    settings.recheck_every_s > 0.0 && since_check_s + next > settings.recheck_every_s
}

fn tracked(run: &Run) -> String {
    match run.frames {
        1 => "tracker on".into(),
        _ => "tracker on; in-camera noise reduction off".into(),
    }
}
