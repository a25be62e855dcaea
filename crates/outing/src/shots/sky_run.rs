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
    let all = settings.all_sky().frames;
    let (mut at, mut checked, mut left) = (start, start, all);
    while left > 0 {
        let taken = all - left;
        let frames = left.min(group(settings, taken, at - checked));
        let run = sky.with_frames(frames);
        pieces.push(Piece::frames(
            BlockKind::Sky,
            at,
            run,
            note(settings, &run, taken),
        ));
        at += run.length_s();
        left -= frames;
        if left == 0 {
            break;
        }
        if pause_due(settings, all - left) {
            let pause = match stand(settings, all - left) {
                Some(next) => Piece::pause(BlockKind::Turn, at, settings.stand_s, &format!("to {next}")),
                None => Piece::pause(BlockKind::Nudge, at, settings.nudge_s, NUDGE),
            };
            at = pause.to;
            pieces.push(pause);
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
    let every = pause_every(settings);
    if every > 0 {
        frames = every - taken % every;
    }
    if settings.recheck_every_s > 0.0 {
        let room = settings.recheck_every_s - since_check_s + sky.gap_s;
        // A saturating cast: a long interval has room for all.
        frames = frames.min((room / (sky.exposure_s + sky.gap_s) + 1e-9).floor() as u32);
    }
    frames.max(1)
}

/// Frames from one pause to the next: a panorama has its turns, one framing its nudges; none when 0.
fn pause_every(settings: &ShotSettings) -> u32 {
    if settings.stands.is_empty() {
        settings.nudge_every
    } else {
        settings.sky.frames
    }
}

fn pause_due(settings: &ShotSettings, taken: u32) -> bool {
    let every = pause_every(settings);
    every > 0 && taken.is_multiple_of(every)
}

/// The stand at which the next frame is taken, in words.
fn stand(settings: &ShotSettings, taken: u32) -> Option<&str> {
    let nth = taken.checked_div(settings.sky.frames)?;
    settings.stands.get(nth as usize).map(String::as_str)
}

fn recheck_due(settings: &ShotSettings, since_check_s: f64) -> bool {
    let next = settings.sky.exposure_s;
    settings.recheck_every_s > 0.0 && since_check_s + next > settings.recheck_every_s
}

fn note(settings: &ShotSettings, run: &Run, taken: u32) -> String {
    if let Some(stand) = stand(settings, taken) {
        return format!("at {stand}");
    }
    match run.frames {
        1 => "tracker on".into(),
        _ => "tracker on; in-camera noise reduction off".into(),
    }
}
