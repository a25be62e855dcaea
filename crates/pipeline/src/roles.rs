//! What each frame is for: sky, land, dark, flat or bias.
//!
//! What `outing.toml` says counts most, then the names of sub-folders, then what is in the frame,
//! then what its EXIF alone makes likely. Frames taken with the same settings are judged
//! together, so that one bumped sky frame among eleven stays a sky frame.

mod content;
mod exposure;
mod finished;
mod folder;
mod light;
mod select;

use std::collections::BTreeMap;

use nightloom_raster::FrameMeta;
use serde::{Deserialize, Serialize};

use nightloom_outing::{FrameOverride, Role};

pub use content::FrameContent;
pub use folder::role_of_folder;
pub use select::left_out_by_camera;
pub(crate) use select::left_out_by_lens;

/// What is known of one frame when its role is decided.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct FrameFacts {
    /// Path inside the outing with `/`.
    pub name: String,
    /// What the file says.
    pub meta: FrameMeta,
    /// Width and height in pixels, when known.
    pub size_px: Option<[usize; 2]>,
    /// What is in the frame; `None` when its pixels were not looked at.
    pub content: Option<FrameContent>,
}

/// A frame's role and why.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct RoleDecision {
    /// The role; `None` when nothing tells, which is then the reason.
    pub role: Option<Role>,
    /// Why, as a clause: “lies in the folder “darks””.
    pub reason: String,
}

impl RoleDecision {
    pub(crate) fn of(role: Role, reason: impl Into<String>) -> Self {
        Self {
            role: Some(role),
            reason: reason.into(),
        }
    }
}

/// Decides the role of every frame, in the order given.
///
/// `overrides` is [`Settings::frames`](nightloom_outing::Settings::frames). The result does not depend on the
/// order of `frames`.
pub fn decide_roles(frames: &[FrameFacts], overrides: &BTreeMap<String, FrameOverride>) -> Vec<RoleDecision> {
    let mut decided: Vec<Option<RoleDecision>> = frames
        .iter()
        .map(|f| {
            by_settings(f, overrides)
                .or_else(|| finished::picture_among_raws(f, frames, true))
                .or_else(|| by_folder(f))
                .or_else(|| finished::picture_among_raws(f, frames, false))
        })
        .collect();
    for (slot, frame) in decided.iter_mut().zip(frames) {
        if slot.is_none() {
            *slot = content::covered_or_flat(frame, frames);
        }
    }
    let open = |d: &[Option<RoleDecision>]| -> Vec<usize> {
        d.iter()
            .enumerate()
            .filter(|(_, d)| d.is_none())
            .map(|(i, _)| i)
            .collect()
    };
    let seen: Vec<usize> = open(&decided)
        .into_iter()
        .filter(|&i| frames[i].content.is_some())
        .collect();
    for (i, decision) in light::sky_or_land(frames, &seen, &decided) {
        decided[i] = Some(decision);
    }
    let unseen = open(&decided);
    for (i, decision) in exposure::by_exposure_alone(frames, &unseen, &decided) {
        decided[i] = Some(decision);
    }
    decided
        .into_iter()
        .map(|d| {
            d.unwrap_or_else(|| RoleDecision {
                role: None,
                reason: "neither its folder, its EXIF nor its content tells what it is for; give it a role under [frames] in outing.toml".into(),
            })
        })
        .collect()
}

fn by_settings(frame: &FrameFacts, overrides: &BTreeMap<String, FrameOverride>) -> Option<RoleDecision> {
    let said = overrides.get(&frame.name)?;
    let role = said.role?;
    Some(RoleDecision::of(
        role,
        format!("outing.toml says so in line {}", said.line),
    ))
}

fn by_folder(frame: &FrameFacts) -> Option<RoleDecision> {
    let (role, folder) = role_of_folder(&frame.name)?;
    Some(RoleDecision::of(role, format!("lies in the folder “{folder}”")))
}
