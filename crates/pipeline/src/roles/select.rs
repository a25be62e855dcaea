//! Frames of another camera or another size than the rest.

use std::collections::BTreeMap;

use super::{FrameFacts, RoleDecision};
use crate::setting::Setting;
use nightloom_outing::Role;

type Camera = (String, Option<[usize; 2]>);

/// For every frame the reason to leave it out because its camera or its size is not that of the
/// others, or `None`.
///
/// Within each role the camera and size with the most frames is kept. Darks, flats and biases must
/// also be of a camera and size that the sky or the land is of. Frames whose camera is not told
/// count by their size alone.
pub fn left_out_by_camera(frames: &[FrameFacts], decisions: &[RoleDecision]) -> Vec<Option<String>> {
    let camera: Vec<Camera> = frames.iter().map(camera_of).collect();
    let mut kept: BTreeMap<Role, Camera> = BTreeMap::new();
    for role in [Role::Sky, Role::Land] {
        kept.extend(majority(&camera, decisions, role, |_| true).map(|c| (role, c)));
    }
    let lights: Vec<Camera> = kept.values().cloned().collect();
    for role in [Role::Dark, Role::Flat, Role::Bias] {
        let fits = |c: &Camera| lights.is_empty() || lights.iter().any(|l| same(l, c));
        kept.extend(majority(&camera, decisions, role, fits).map(|c| (role, c)));
    }
    decisions
        .iter()
        .zip(&camera)
        .map(|(d, own)| {
            let role = d.role?;
            match kept.get(&role) {
                Some(main) if same(main, own) => None,
                Some(main) => Some(format!(
                    "{} while the {role} frames kept are {}",
                    words(own),
                    words(main)
                )),
                None => Some(format!(
                    "{} while the sky and land frames are {}",
                    words(own),
                    lights.iter().map(words).collect::<Vec<_>>().join(" and ")
                )),
            }
        })
        .collect()
}

/// For every sky or land frame the reason to leave it out because it was taken through another lens, or at
/// another focal length, than the most frames of its role, or `None`. `out` are left out already.
pub(crate) fn left_out_by_lens(
    frames: &[FrameFacts],
    decisions: &[RoleDecision],
    out: &[bool],
) -> Vec<Option<String>> {
    let settings: Vec<Setting> = frames.iter().map(|f| Setting::of(&f.meta)).collect();
    let mut reasons = vec![None; frames.len()];
    for role in [Role::Sky, Role::Land] {
        let own: Vec<usize> = (0..frames.len())
            .filter(|&i| decisions[i].role == Some(role) && !out[i])
            .collect();
        let like = |i: usize| {
            own.iter()
                .filter(|&&k| settings[i].same_view(&settings[k]))
                .count()
        };
        // Of equals the shorter focal length, which sees more.
        let wider = |i: usize| settings[i].focal_mm.map_or(f64::MAX, |f| -f);
        let main = own
            .iter()
            .copied()
            .max_by(|&a, &b| like(a).cmp(&like(b)).then(wider(a).total_cmp(&wider(b))));
        let Some(main) = main else { continue };
        for &i in own.iter().filter(|&&i| !settings[i].same_view(&settings[main])) {
            reasons[i] = Some(format!(
                "taken with {} while the {role} frames kept are taken with {}",
                settings[i].view_words(),
                settings[main].view_words()
            ));
        }
    }
    reasons
}

fn camera_of(frame: &FrameFacts) -> Camera {
    let m = &frame.meta;
    let told = [&m.make, &m.model, &m.serial]
        .into_iter()
        .flatten()
        .map(|s| s.trim())
        .collect::<Vec<_>>()
        .join(" ");
    // A camera turned upright is the same camera with the same pixels.
    (told, frame.size_px)
}

fn same(a: &Camera, b: &Camera) -> bool {
    (a.0 == b.0 || a.0.is_empty() || b.0.is_empty()) && (a.1 == b.1 || a.1.is_none() || b.1.is_none())
}

fn majority(
    camera: &[Camera],
    decisions: &[RoleDecision],
    role: Role,
    fits: impl Fn(&Camera) -> bool,
) -> Option<Camera> {
    let mut counts: BTreeMap<&Camera, usize> = BTreeMap::new();
    for (c, _) in camera
        .iter()
        .zip(decisions)
        .filter(|(c, d)| d.role == Some(role) && fits(c))
    {
        *counts.entry(c).or_default() += 1;
    }
    counts
        .into_iter()
        .max_by(|a, b| a.1.cmp(&b.1).then(b.0.cmp(a.0)))
        .map(|(c, _)| c.clone())
}

fn words((camera, size): &Camera) -> String {
    let camera = if camera.is_empty() {
        "a camera not told"
    } else {
        camera
    };
    match size {
        Some([w, h]) => format!("of {camera} at {w} × {h} pixels"),
        None => format!("of {camera}"),
    }
}
