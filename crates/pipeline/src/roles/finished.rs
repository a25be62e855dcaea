//! Finished pictures that lie among raw frames: exports, masks, stacks of another evening.

use std::path::Path;

use super::{FrameFacts, RoleDecision};

/// Endings of files that programs write; FITS is among them, but cameras for the sky write it too and then
/// say when and how long.
const WRITTEN_BY_PROGRAMS: [&str; 7] = ["tif", "tiff", "jpg", "jpeg", "png", "fits", "fit"];

/// A picture without time and exposure is no frame where raw frames lie: a camera that writes raw files
/// tells both in everything it writes. `beside` narrows the raw frames that count to those of its own folder.
pub(super) fn picture_among_raws(
    frame: &FrameFacts,
    frames: &[FrameFacts],
    beside: bool,
) -> Option<RoleDecision> {
    let untold = frame.meta.exposure_s.is_none() && frame.meta.taken_local.is_none();
    let raw =
        |f: &FrameFacts| !written_by_program(&f.name) && (!beside || folder(&f.name) == folder(&frame.name));
    if !untold || !written_by_program(&frame.name) || !frames.iter().any(raw) {
        return None;
    }
    Some(RoleDecision {
        role: None,
        reason: "it is a picture that tells neither when nor how long it was exposed, among raw frames: taken for a finished picture; give it a role under [frames] in outing.toml if it is a frame of this night".into(),
    })
}

fn written_by_program(name: &str) -> bool {
    Path::new(name)
        .extension()
        .and_then(|e| e.to_str())
        .is_some_and(|e| WRITTEN_BY_PROGRAMS.iter().any(|w| e.eq_ignore_ascii_case(w)))
}

fn folder(name: &str) -> Option<&Path> {
    Path::new(name).parent()
}
